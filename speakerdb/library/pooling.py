"""From sessions to what stands for a speaker: pooled values and curves, and the default setting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from speakerdb import derive
from speakerdb.dictionary import CENSORED, ValueTable
from speakerdb.statistics.intervals import decode
from speakerdb.store import Store
from speakerdb.store.pooled import replace_pooled
from speakerdb.store.reading import ActiveValues, active_values, session_draws, summary_levels

NOISE = "noise_"  # start of the names of curves that hold a standard deviation: their mean shrinks with the sessions
CHUNK_SPEAKERS = 250  # their draws are held in memory at once


def repool(store: Store, speaker_ids: Sequence[int] | None) -> None:
    """Renew the pooled rows of speakers (None: of all) from their active sessions; the caller holds the transaction."""
    if speaker_ids is None:
        everyone = [int(r[0]) for r in store.con.execute("SELECT speaker_id FROM speaker ORDER BY 1").fetchall()]
        for start in range(0, len(everyone), CHUNK_SPEAKERS):
            repool(store, everyone[start : start + CHUNK_SPEAKERS])
        return
    active = active_values(store.con, speaker_ids)
    keys = list(zip(active.speaker_id.tolist(), active.setting, strict=True))
    order = {key: i for i, key in enumerate(sorted(set(keys)))}
    group = np.array([order[key] for key in keys], np.int64)
    pooled = derive.pool_table(active.values, group, active.sample, active.lab)
    weight = derive.pool_weights(group, active.sample, active.lab)
    curves = {
        part: _pool_noise(levels, group, weight, len(order))
        if part.startswith(NOISE)
        else pool_curves(levels, group, weight, len(order))
        for part, levels in summary_levels(store.con, active.session_id.tolist()).items()
    }
    defaults = _defaults(active)
    counts = np.bincount(group, minlength=len(order))
    groups = [
        (speaker, setting, defaults[speaker] == setting, int(counts[i])) for (speaker, setting), i in order.items()
    ]
    values, disagree = pooled.values, pooled.disagree
    drawn = session_draws(store.con, active.session_id.tolist())
    if not np.isnan(drawn.corrected).all():
        draws = decode(drawn.corrected, drawn.se, drawn.steps)
        spread = derive.pool_draws(active.values, draws, drawn.se_calibration, group, active.sample, active.lab)
        values = values.with_intervals(open_ends(spread.uncertain, values))
        disagree = spread.disagree
    replace_pooled(store.con, speaker_ids, groups, values, disagree, curves)


def open_ends(uncertain: dict[str, np.ndarray[Any, Any]], values: ValueTable) -> dict[str, np.ndarray[Any, Any]]:
    """Intervals of pooled values: none where withheld; open on the side a bound leaves open."""
    withheld = np.isnan(values.value)
    shown = {name: np.where(withheld, np.nan, column) for name, column in uncertain.items()}
    shown["low"] = np.where(values.censored == CENSORED.index("at_most"), np.nan, shown["low"])
    shown["high"] = np.where(values.censored == CENSORED.index("at_least"), np.nan, shown["high"])
    return shown


def pool_curves(
    levels: np.ndarray[Any, Any], group: np.ndarray[Any, Any], weight: np.ndarray[Any, Any], groups: int
) -> np.ndarray[Any, Any]:
    """Weighted mean of dB per group, over the sessions that have each point."""
    there = ~np.isnan(levels)
    total, shares = np.zeros((groups, levels.shape[1])), np.zeros((groups, levels.shape[1]))
    np.add.at(total, group, np.where(there, levels, 0.0) * weight[:, None])
    np.add.at(shares, group, there * weight[:, None])
    return np.where(shares > 0, total / np.where(shares > 0, shares, 1.0), np.nan)


def _pool_noise(
    sd: np.ndarray[Any, Any], group: np.ndarray[Any, Any], weight: np.ndarray[Any, Any], groups: int
) -> np.ndarray[Any, Any]:
    """Standard deviation of the weighted mean, as of `pool_curves`, of sessions with independent errors."""
    there = ~np.isnan(sd)
    total, shares = np.zeros((groups, sd.shape[1])), np.zeros((groups, sd.shape[1]))
    np.add.at(total, group, np.where(there, sd * weight[:, None], 0.0) ** 2)
    np.add.at(shares, group, there * weight[:, None])
    return np.where(shares > 0, np.sqrt(total) / np.where(shares > 0, shares, 1.0), np.nan)


def _defaults(active: ActiveValues) -> dict[int, str]:
    """speaker_id -> default setting: one marked default_setting, else the earliest date, then the name (brief.md)."""
    best: dict[int, tuple[bool, str, str]] = {}
    for speaker, setting, date, marked in zip(
        active.speaker_id.tolist(), active.setting, active.date, active.default_setting.tolist(), strict=True
    ):
        candidate = (not marked, date, setting)
        best[speaker] = min(best.get(speaker, candidate), candidate)
    return {speaker: setting for speaker, (_, _, setting) in best.items()}
