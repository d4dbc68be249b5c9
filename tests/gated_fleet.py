"""The demo fleet as a bench with a gate would measure it, near field below, with the fleet's own errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from seed_data.errors import Errors
from seed_data.plan import Visit
from speakerdb.acoustics import curveset
from speakerdb.derive import derive, session_uncertainty
from speakerdb.metrics import METRICS
from speakerdb.session import Band
from speakerdb.statistics.error_model import ErrorModel
from tests import gating, truth

CAREFUL = ErrorModel(1, {"repeatability": 0.1 / 0.15})  # the fleet's errors as seed_data/README.md states them
LOW_HZ, HIGH_HZ = 20.0, 20000.0


@dataclass(frozen=True, eq=False)
class Gated:
    """Of sessions (S) and all metrics (M): what stood before the gate, what was measured through it, its interval."""

    true: np.ndarray
    value: np.ndarray
    ends: dict[str, np.ndarray]

    def holds(self, metric: str) -> np.ndarray:
        """Of the sessions that have an interval, whether it, or that of the other branch, holds the truth."""
        j = list(METRICS).index(metric)
        true, ends = self.true[:, j], {name: end[:, j] for name, end in self.ends.items()}
        held = (ends["low"] <= true) & (true <= ends["high"])
        held |= (ends["other_low"] <= true) & (true <= ends["other_high"])
        return np.asarray(held[np.isfinite(ends["low"]) & np.isfinite(true)])


def measured(visits: Sequence[Visit], gate_ms: float, from_hz: float, seed: str) -> Gated:
    """Visits merged at from_hz of a gate of this length. The truth is the specimen with the bench's colour, which
    intervals as measured leave out."""
    errors = Errors(seed)
    before, added = [], []
    for visit, raw in zip(visits, truth._raw(visits), strict=True):
        before.append(raw + errors.sample_db(visit, truth.COSINE) + errors.bench_db(visit))
        own = errors.session_db(visit) + errors.level_db(visit)
        added.append(own + errors.repeat_db(visit, curveset.SLOTS))
    through = np.stack([gating.merged(level, gate_ms, from_hz) for level in before]) + np.stack(added)
    bands = (Band(LOW_HZ, from_hz, "near-field"), Band(from_hz, HIGH_HZ, "gated", gate_ms))
    true = derive(truth.sessions_of(visits, truth._to_grid(np.stack(before)))).values.value
    sessions = [
        replace(s, info=replace(s.info, method="gated", bands=bands))
        for s in truth.sessions_of(visits, truth._to_grid(through))
    ]
    values = derive(sessions).values.value
    found = [
        session_uncertainty(s, f"{seed}|{i}", tuple(METRICS), row, CAREFUL).columns
        for i, (s, row) in enumerate(zip(sessions, values, strict=True))
    ]
    names = ("low", "high", "other_low", "other_high")
    return Gated(true, values, {name: np.stack([c[name] for c in found]) for name in names})
