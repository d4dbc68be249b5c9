"""What might have been measured: the errors of a session, layer by layer (method:statistics#errors-and-their-sizes).

own: what a repeat would change (each reading, the session, the run's level). bench: what all measurements there share.
sample: what another unit would change. B draws; 72 slots of curves as in acoustics.curveset.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, gates
from speakerdb.acoustics.curveset import ANGLES_DEG, PER_ORBIT, SLOTS
from speakerdb.acoustics.grid import Points
from speakerdb.session import SessionInfo
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT, ErrorModel, SharedKeys
from speakerdb.statistics.fields import generator, smooth_field, smoothed_field

Floats32 = NDArray[np.float32]

# how far a direction takes part in the sample's directivity error: 0 on the axis, 1 behind
AWAY = ((1.0 - np.cos(np.radians(np.concatenate([ANGLES_DEG, ANGLES_DEG])))) / 2.0).astype(np.float32)

# horizontal slots at negative angles, and those of the same angle on the other side: one curve where symmetry is
# declared
_NEGATIVE = [i for i, angle in enumerate(ANGLES_DEG) if -180 < angle < 0]
MIRRORED = (_NEGATIVE, [PER_ORBIT - 2 - i for i in _NEGATIVE])


@dataclass(frozen=True, eq=False)
class Reader:
    """Who measured what: the source of a session's errors. twice: for each of curveset.POLES, whether both orbits read
    it."""

    info: SessionInfo
    keys: SharedKeys
    model: ErrorModel
    twice: tuple[bool, ...]

    @classmethod
    def of(cls, info: SessionInfo, content_hash: str, model: ErrorModel, readings_db: NDArray[np.floating]) -> Reader:
        """readings_db (72, 199) as measured, NaN where not. Poles that are equal were read once: some formats hold them
        once only."""
        there = ~np.isnan(readings_db).all(axis=-1)
        twice = tuple(
            bool(there[a] and there[b]) and not np.array_equal(readings_db[a], readings_db[b], equal_nan=True)
            for a, b in curveset.POLES
        )
        return cls(info, SharedKeys.of(info, content_hash), model, twice)

    def generator(self, part: str, key: str) -> np.random.Generator:
        return generator(part, key, self.model.seed)

    @cached_property
    def reading_factor(self) -> NDArray[np.float64]:
        """(72,) of the repeatability of one reading that a slot has: 1/√2 where it is the mean of two."""
        factor = np.ones(SLOTS)
        for (a, b), twice in zip(curveset.POLES, self.twice, strict=True):
            factor[[a, b]] = np.sqrt(0.5) if twice else 1.0
        return factor

    def merged(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shares (…, 72, F) of slots as shares of independent readings: both poles are one, ± too where symmetry is
        declared."""
        found = share.copy()
        pairs = [(b, a) for a, b in curveset.POLES]
        if self.info.symmetric:
            pairs += list(zip(*MIRRORED, strict=True))
        for gone, kept in pairs:
            found[..., kept, :] += found[..., gone, :]
            found[..., gone, :] = 0.0
        return found

    # layers

    def _field(self, part: str, key: str) -> Floats32:
        return smooth_field(self.generator(part, key), DRAWS, WIDTH_OCT[part], sd=self.model.sd(self.info, part))

    @cached_property
    def own_common(self) -> Floats32:
        """(B, 199): session, level, what a gate and what a merge leave open, the same for all curves of a session."""
        common = self._field("session", self.keys.session) + self.level[:, None]
        if self.model.sd(self.info, "gate").any():
            common += self._field("gate", self._gated)
        if self.model.sd(self.info, "merge").any():
            common += self._field("merge", self.keys.session)
        return common

    @property
    def _gated(self) -> str:
        """Whoever shares what a gate does: a speaker on a bench, however often it is measured."""
        return f"{self.keys.bench}|{self.info.slug}"

    def gate_in_shape(self, sd: float) -> Floats32:
        """(B,) errors of a metric of the response's fine shape through the gates, one for all metrics; zeros where
        there are none."""
        if not gates.gates_ms(self.info):
            return np.zeros(DRAWS, np.float32)
        normal = self.generator("gate in shape", self._gated).standard_normal(DRAWS, dtype=np.float32)
        return np.asarray(normal * np.float32(sd))

    @cached_property
    def level(self) -> Floats32:
        """(B,): the run's level."""
        normal = self.generator("level", self.keys.run).standard_normal(DRAWS, dtype=np.float32)
        return np.asarray(normal * np.float32(self.model.level_sd(self.info)))

    @cached_property
    def bench(self) -> Floats32:
        """(B, 199): the bench's error, after alignment that of the bench it was aligned to."""
        return self._field("calibration", self.model.bench_of(self.keys.bench))

    @cached_property
    def sample(self) -> tuple[Floats32, Floats32]:
        """(B, 199), (B, 199): another sample's spread, and its directivity error, to be taken by AWAY."""
        return self._field("sample_spread", self.keys.sample), self._field("sample_directivity", self.keys.sample)

    def single_readings(self, level_db: Floats32) -> Floats32:
        """(B, n, 199) draws of single horizontal readings (n, 199), each with an error of its own."""
        return level_db + self._of_each("readings", len(level_db), DRAWS)

    def curve_errors(self, count: int = DRAWS) -> Floats32:
        """(B, 72, 199): repeatability of every curve of every draw, poles and symmetric pairs shared."""
        return self._shared(self._of_each("repeatability", SLOTS, count))

    def smoothed_errors(self, points: Points, count: int = DRAWS) -> Floats32:
        """(B, 72, F): the same of 1/3-octave smoothed curves at some points, where single curves' patterns are looked
        at."""
        rng, sd = (
            self.generator("smoothed", self.keys.session),
            self.model.sd(self.info, "repeatability")[points.of_grid],
        )
        fields = smoothed_field(rng, SLOTS * count, WIDTH_OCT["repeatability"], points, sd)
        return self._shared(fields.reshape(SLOTS, count, -1).swapaxes(0, 1))

    def _of_each(self, name: str, curves: int, count: int) -> Floats32:
        """(B, n, 199): in memory curve after curve, as they are looked at."""
        rng, sd = self.generator(name, self.keys.session), self.model.sd(self.info, "repeatability")
        fields = smooth_field(rng, curves * count, WIDTH_OCT["repeatability"], sd=sd)
        return fields.reshape(curves, count, -1).swapaxes(0, 1)

    def _shared(self, errors: Floats32) -> Floats32:
        if self.info.symmetric:
            mirrored, twins = MIRRORED
            errors[:, mirrored] = errors[:, twins]
        for (a, b), twice in zip(curveset.POLES, self.twice, strict=True):
            if twice:
                errors[:, a] *= np.float32(np.sqrt(0.5))
            errors[:, b] = errors[:, a]
        return errors
