"""From sessions to what stands for a speaker: pooled values and curves, and the default setting."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from speakerdb import derive
from speakerdb.derive.pooling import NOISE, USABLE, pool_curves, pool_noise, pool_usable
from speakerdb.field.sessions import shared_keys
from speakerdb.statistics.intervals import decode
from speakerdb.store import Store, speakers
from speakerdb.store.pooled import replace_pooled
from speakerdb.store.reading import (
    ActiveValues,
    DrawTable,
    active_values,
    listening_axis,
    session_draws,
    session_uncertainty,
    summary_levels,
)

CHUNK_SPEAKERS = 250  # their draws are held in memory at once


def repool(store: Store, speaker_ids: Sequence[int] | None) -> None:
    """Renew the pooled rows of speakers (None: of all) from their active sessions; the caller holds the transaction."""
    if speaker_ids is None:
        everyone = speakers.speaker_ids(store.con)
        for start in range(0, len(everyone), CHUNK_SPEAKERS):
            repool(store, everyone[start : start + CHUNK_SPEAKERS])
        return
    active = active_values(store.con, speaker_ids)
    keys = list(zip(active.speaker_id.tolist(), active.setting, strict=True))
    order = {key: i for i, key in enumerate(sorted(set(keys)))}
    by = derive.Grouping(np.array([order[key] for key in keys], np.int64), active.sample, active.lab)
    weight = by.weights()
    ids = active.session_id.tolist()
    summary = summary_levels(store.con, ids)
    usable = {part: summary.pop(part) for part in USABLE if part in summary}
    curves = {
        part: (pool_noise if part.startswith(NOISE) else pool_curves)(levels, by.group, weight, len(order))
        for part, levels in summary.items()
    }
    curves |= pool_usable(usable, by.group, weight, len(order)) if usable else {}
    defaults = _defaults(active)
    counts = np.bincount(by.group, minlength=len(order))
    groups = [
        (speaker, setting, defaults[speaker] == setting, int(counts[i])) for (speaker, setting), i in order.items()
    ]
    pooled = derive.pool_table(active.values, by)
    pooled = derive.pool_listening_axis(pooled, listening_axis(store.con, ids), by)
    sessions = _spread(store, active, by.group)
    spread = derive.pool_spread(active.values, pooled, sessions, by)
    columns = derive.open_ends(
        derive.reach_upper_ends(spread.columns, active.values, pooled, sessions, by), pooled.censored
    )
    values = replace(pooled, value=spread.value).with_uncertainty(columns)
    patterns = [json.dumps(pattern) for pattern in spread.patterns]
    replace_pooled(store.con, speaker_ids, groups, values, spread.disagree, spread.pattern, patterns, curves)


def _spread(store: Store, active: ActiveValues, group: np.ndarray[Any, Any]) -> derive.Spread:
    """The uncertainty of sessions, their draws read where they are asked for: of groups of several alone."""
    ids = active.session_id
    columns = session_uncertainty(store.con, ids.tolist())
    several = np.flatnonzero(np.bincount(group)[group] > 1)
    place = {int(row): i for i, row in enumerate(several)}

    @cache
    def steps(table: DrawTable) -> np.ndarray[Any, Any]:
        return session_draws(store.con, ids[several].tolist(), table)

    def draws(rows: np.ndarray[Any, Any]) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        at = [place[int(r)] for r in rows]
        own, bench = steps("own_draw")[at], steps("bench_draw")[at]
        return decode(columns["se"][rows], own), decode(columns["se_bench"][rows], bench)

    return derive.Spread(columns, shared_keys(active), draws)


def _defaults(active: ActiveValues) -> dict[int, str]:
    """speaker_id -> default setting: one marked default_setting, else the earliest date, then the name
    (method:data#the-default-setting)."""
    best: dict[int, tuple[bool, str, str]] = {}
    for speaker, setting, date, marked in zip(
        active.speaker_id.tolist(), active.setting, active.date, active.default_setting.tolist(), strict=True
    ):
        candidate = (not marked, date, setting)
        best[speaker] = min(best.get(speaker, candidate), candidate)
    return {speaker: setting for speaker, (_, _, setting) in best.items()}
