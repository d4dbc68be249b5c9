"""From sessions to what stands for a speaker: pooled values and curves, and the default setting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from speakerdb import derive
from speakerdb.store import Store
from speakerdb.store.pooled import replace_pooled
from speakerdb.store.reading import ActiveValues, active_values, summary_levels


def repool(store: Store, speaker_ids: Sequence[int] | None) -> None:
    """Renew the pooled rows of speakers (None: of all) from their active sessions; the caller holds the transaction."""
    active = active_values(store.con, speaker_ids)
    keys = list(zip(active.speaker_id.tolist(), active.setting, strict=True))
    order = {key: i for i, key in enumerate(sorted(set(keys)))}
    group = np.array([order[key] for key in keys], np.int64)
    pooled = derive.pool_table(active.values, group, active.sample, active.lab)
    weight = derive.pool_weights(group, active.sample, active.lab)
    curves = {
        part: pool_curves(levels, group, weight, len(order))
        for part, levels in summary_levels(store.con, active.session_id.tolist()).items()
    }
    defaults = _defaults(active)
    counts = np.bincount(group, minlength=len(order))
    groups = [
        (speaker, setting, defaults[speaker] == setting, int(counts[i])) for (speaker, setting), i in order.items()
    ]
    replace_pooled(store.con, speaker_ids, groups, pooled.values, pooled.disagree, curves)


def pool_curves(
    levels: np.ndarray[Any, Any], group: np.ndarray[Any, Any], weight: np.ndarray[Any, Any], groups: int
) -> np.ndarray[Any, Any]:
    """Weighted mean of dB per group, over the sessions that have each point."""
    there = ~np.isnan(levels)
    total, shares = np.zeros((groups, levels.shape[1])), np.zeros((groups, levels.shape[1]))
    np.add.at(total, group, np.where(there, levels, 0.0) * weight[:, None])
    np.add.at(shares, group, there * weight[:, None])
    return np.where(shares > 0, total / np.where(shares > 0, shares, 1.0), np.nan)


def _defaults(active: ActiveValues) -> dict[int, str]:
    """speaker_id -> default setting: one marked default_setting, else the earliest date, then the name (brief.md)."""
    best: dict[int, tuple[bool, str, str]] = {}
    for speaker, setting, date, marked in zip(
        active.speaker_id.tolist(), active.setting, active.date, active.default_setting.tolist(), strict=True
    ):
        candidate = (not marked, date, setting)
        best[speaker] = min(best.get(speaker, candidate), candidate)
    return {speaker: setting for speaker, (_, _, setting) in best.items()}
