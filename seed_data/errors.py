"""What separates a measurement from the truth, part by part: those of a careful lab, sizes by own judgement (README.md
has them in a table).

The law is the fleet's own code and imports nothing of the project, so that what the project learns from the fleet can
be held against it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.model.air import FREQUENCY_HZ, FloatArray
from seed_data.model.noise import SEED, field, generator
from seed_data.plan import Visit, slug

REPEAT_DB, REPEAT_OCT = 0.1, 1.0 / 6.0
SESSION_DB, SESSION_OCT = 0.1, 0.5
LEVEL_DB = 0.15
BENCH_OCT = 1.0
SAMPLE_DB, SAMPLE_OCT = 0.4, 0.5
DISTORTION_DB, DISTORTION_OCT = 1.0, 1.0
DRIVE_DISTORTION_DB, DRIVE_COMPRESSION_DB, DRIVE_OCT = 1.0, 0.1, 1.0 / 6.0
IMPEDANCE = 0.02  # of the magnitude


def _over_frequency(knots_hz: tuple[float, ...], sd_db: tuple[float, ...]) -> FloatArray:
    """Linear over log f between the knots, constant beyond them, (F,)."""
    return np.asarray(np.interp(np.log2(FREQUENCY_HZ), np.log2(knots_hz), sd_db))


SESSION_SD_DB = _over_frequency((40.0, 100.0), (3.0 * SESSION_DB, SESSION_DB))
BENCH_SD_DB = _over_frequency((30.0, 100.0, 5000.0, 10000.0), (1.0, 0.25, 0.25, 0.5))


@dataclass(frozen=True)
class Errors:
    """One helping of all errors for any visit. Another seed is another helping of the same law on the same plan and
    models."""

    seed: str = SEED

    def generator(self, *names: object) -> np.random.Generator:
        """Random numbers of this helping that belong to the names."""
        return generator(*names, seed=self.seed)

    def repeat_db(self, visit: Visit, curves: int) -> FloatArray:
        """Each curve's own, (curves, F). H 0° and V 0° are two readings, so two curves here."""
        return REPEAT_DB * field(self.generator("repeat", visit.folder), REPEAT_OCT, curves)

    def session_db(self, visit: Visit) -> FloatArray:
        """Remounting, temperature, drift: common to all curves of a session, (F,)."""
        return np.asarray(SESSION_SD_DB * field(self.generator("session", visit.folder), SESSION_OCT)[0])

    def level_db(self, visit: Visit) -> float:
        """One number per run: what one lab does with one specimen on one day, repeats and other settings included."""
        run = (visit.lab, slug(visit.design), visit.sample, visit.day)
        return LEVEL_DB * float(self.generator("run", *run).standard_normal())

    def bench_db(self, visit: Visit) -> FloatArray:
        """Microphone, room and method: common to all sessions of one lab, method and calibration, (F,)."""
        bench = (visit.lab, visit.method, visit.calibration)
        return np.asarray(BENCH_SD_DB * field(self.generator("bench", *bench), BENCH_OCT)[0])

    def sample_db(self, visit: Visit, cosine: FloatArray) -> FloatArray:
        """How this specimen differs from the design, towards cosine (n,) off the axis: a common field and one that
        grows as (1 − cos θ)/2, (n, F)."""
        rng = self.generator("sample", slug(visit.design), visit.sample)
        common, turning = SAMPLE_DB * field(rng, SAMPLE_OCT, 2)
        return np.asarray(common + turning * (1.0 - cosine[:, None]) / 2.0)

    def measuring_db(self, visit: Visit, curves: int) -> FloatArray:
        """All that measuring adds to what stands on the turntable, (curves, F)."""
        shared = self.bench_db(visit) + self.session_db(visit) + self.level_db(visit)
        return np.asarray(shared + self.repeat_db(visit, curves))

    def compression_db(self, visit: Visit, drives: int) -> FloatArray:
        """Each sweep's own, (drives, F)."""
        return DRIVE_COMPRESSION_DB * field(self.generator("compression", visit.folder), DRIVE_OCT, drives)

    def distortion_db(self, visit: Visit, component: str, drives: int) -> FloatArray:
        """Common to all of the session's distortion, and each sweep's own, (drives, F)."""
        common = DISTORTION_DB * field(self.generator("distortion", visit.folder), DISTORTION_OCT)
        own = field(self.generator("distortion", visit.folder, component), DRIVE_OCT, drives)
        return np.asarray(common + DRIVE_DISTORTION_DB * own)

    def impedance_factor(self, visit: Visit) -> float:
        """What the magnitude is multiplied by, at all frequencies."""
        return 1.0 + IMPEDANCE * float(self.generator("impedance", visit.folder).standard_normal())
