"""What a speaker radiates in every measured direction, over its sessions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb import derive
from speakerdb.acoustics import curveset
from speakerdb.acoustics.response import IN_ROOM
from speakerdb.derive.measuring import slots_of
from speakerdb.derive.pooling import pool_curves
from speakerdb.errors import RequestError
from speakerdb.field import error_models
from speakerdb.store import Store, reading


def radiation(store: Store, speaker_id: int, setting: str) -> NDArray[np.float64]:
    """(72, 199) levels in dB on both orbits, the mean of its sessions as curves are pooled. Raises RequestError where
    directions are not known from 100 Hz to 16 kHz."""
    active = reading.active_values(store.con, [speaker_id])
    rows = [i for i, one in enumerate(active.setting) if one == setting]
    by = derive.Grouping(np.zeros(len(rows), np.int64), [active.sample[i] for i in rows], [active.lab[i] for i in rows])
    ids = active.session_id[rows].tolist()
    sessions = error_models.aligned(reading.grid_sessions(store.con, ids), error_models.current(store))
    level = slots_of(sessions)
    pooled = pool_curves(level.reshape(len(level), -1), by.group, by.weights(), 1).reshape(level.shape[1:])
    there = np.asarray(~np.isnan(pooled[:, IN_ROOM]).any(axis=1))
    if not there.all():
        raise RequestError(f"directions are missing: {curveset.missing_angles(range(curveset.SLOTS), there)}")
    return np.asarray(pooled)
