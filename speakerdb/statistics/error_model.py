"""The measurement error model (method:statistics#errors-and-their-sizes): which errors there are, how large, what
shares them, and what was learned.

The default standard deviations are our own judgement; `derive --adopt` moves them to what the user's own repeats show;
a session may override any of them (`[uncertainty]` in session.toml), as a number or as a table over frequency.
Positioning of the microphone is not modelled.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import gates
from speakerdb.acoustics.grid import LOG2_HZ, band
from speakerdb.session import SessionInfo

MODEL_VERSION = 3  # part of every seed; raised whenever the model or the rule for intervals changes
DRAWS = 400

Table = tuple[tuple[float, float], ...]
Sd = float | Table

# own judgement throughout; tables are linear over log f between their points and constant beyond
DEFAULT_SD: Mapping[str, Sd] = {
    "repeatability": 0.15,
    "session": ((40.0, 0.3), (100.0, 0.1)),
    "level": 0.15,
    "calibration": ((30.0, 1.0), (100.0, 0.25), (5000.0, 0.25), (10000.0, 0.5)),
    "sample_spread": 0.5,
    "sample_directivity": 0.5,
    "distortion": 1.0,
    "distortion_per_drive": 1.0,
    "compression": 0.1,
    "impedance_percent": 2.0,
    "gate": gates.ERROR_DB,  # at 1/T, taken by gates.unresolved: nothing from 2/T up
    "merge": 0.0,  # only where a session was merged and says how well
}
WIDTH_OCT: Mapping[str, float] = {
    "repeatability": 1 / 6,
    "session": 0.5,
    "calibration": 1.0,
    "sample_spread": 0.5,
    "sample_directivity": 0.5,
    "distortion": 1.0,
    "distortion_per_drive": 1 / 6,
    "compression": 1 / 6,
    "gate": 0.5,
    "merge": 1.0,
}
# What can be learned from repeats, and the parts of the default's shape that each scales
LEARNABLE: Mapping[str, tuple[str, ...]] = {
    "repeatability": ("repeatability",),
    "session": ("session",),
    "level": ("level",),
    "sample": ("sample_spread", "sample_directivity"),
}
NOISE = "noise"  # a session's own noise: the floor of its repeatability, whatever else is known of that


def sd_over_frequency(sd: Sd) -> NDArray[np.float32]:
    """(199,) standard deviations: a number as it is, a table linear over log f and constant beyond its ends."""
    if isinstance(sd, int | float):
        return np.full(len(LOG2_HZ), float(sd), np.float32)
    frequency, values = zip(*sd, strict=True)
    return np.asarray(np.interp(LOG2_HZ, np.log2(frequency), values), np.float32)


@dataclass(frozen=True)
class SharedKeys:
    """What a session shares its errors with: two sessions with the same key have the same error of that part."""

    bench: str
    sample: str
    run: str
    session: str

    @classmethod
    def of(cls, info: SessionInfo, content_hash: str) -> SharedKeys:
        """From what a session says of itself, and its content."""
        return cls.made_of(
            info.lab, info.method, info.calibration, info.slug, info.sample, info.run, info.date, content_hash
        )

    @classmethod
    def made_of(
        cls,
        lab: str,
        method: str,
        calibration: str | None,
        slug: str,
        sample: str,
        run: str | None,
        date: str,
        content_hash: str,
    ) -> SharedKeys:
        """bench: origin/lab, method and calibration id; sample: speaker and serial; run: its own name, else lab, sample
        and date."""
        at = origin_lab(lab)
        return cls(
            bench=bench_key(lab, method, calibration),
            sample=f"{slug}|{sample}",
            run=f"{at}|{run}" if run else f"{at}|{slug}|{sample}|{date}",
            session=content_hash,
        )


def origin_lab(lab: str) -> str:
    """A lab as keys name it: origin/lab. Sessions that were measured here have no origin but this file."""
    return f"/{lab}"


def bench_key(lab: str, method: str, calibration: str | None) -> str:
    """What makes a bench: the lab, its method and the calibration of its microphone."""
    return f"{origin_lab(lab)}|{method}|{calibration or ''}"


def bench_words(key: str) -> str:
    """A bench in words: 'shed (near-field-scan, 2025-08)'."""
    lab, method, calibration = key.split("|")
    return f"{lab.partition('/')[2]} ({', '.join(part for part in (method, calibration) if part)})"


@dataclass(frozen=True, eq=False)
class Alignment:
    """A bench brought in line with another: offset_db (199,) is added to its curves before any metric.

    residual_sd_db: standard deviation of what is left between the two, of the mean over n specimens.
    """

    to_bench: str
    offset_db: NDArray[np.float32]
    residual_sd_db: float
    n: int


@dataclass(frozen=True, eq=False)
class ErrorModel:
    """What intervals rest on: version 0 is the default; factor: learned size of each of LEARNABLE as a multiple of its
    default; alignments: bench key -> alignment."""

    version: int = 0
    factor: Mapping[str, float] = field(default_factory=dict)
    alignments: Mapping[str, Alignment] = field(default_factory=dict)

    @property
    def seed(self) -> str:
        """The part of every seed that changes with the model."""
        return f"{MODEL_VERSION}|{self.version}"

    def sd(self, info: SessionInfo, part: str) -> NDArray[np.float32]:
        """(199,) standard deviation of a part for a session: its own figure, else learned, else the default;
        repeatability never below the noise that the session brings; what a gate leaves open only where it does."""
        if part == "gate":
            return self._gate_sd(info)
        if part in info.uncertainty:
            found = sd_over_frequency(info.uncertainty[part])
        else:
            learned = next((name for name, parts in LEARNABLE.items() if part in parts), part)
            found = sd_over_frequency(DEFAULT_SD[part]) * np.float32(self.factor.get(learned, 1.0))
        if part == "repeatability" and NOISE in info.uncertainty:
            found = np.maximum(found, sd_over_frequency(info.uncertainty[NOISE]))
        return found

    @staticmethod
    def _gate_sd(info: SessionInfo) -> NDArray[np.float32]:
        """(199,): 0 where no gated band counts from below 2/T."""
        share = gates.unresolved(info)
        if "gate" in info.uncertainty:
            return np.asarray(np.where(share > 0.0, sd_over_frequency(info.uncertainty["gate"]), np.float32(0.0)))
        return share * sd_over_frequency(DEFAULT_SD["gate"])

    def common_sd(self, info: SessionInfo) -> NDArray[np.float32]:
        """(199,) of what all curves of a session share, the level apart."""
        parts = [self.sd(info, part) for part in ("session", "gate", "merge")]
        return np.asarray(np.sqrt(sum(sd**2 for sd in parts)), np.float32)

    def level_sd(self, info: SessionInfo) -> float:
        """Standard deviation of the run's level, flat by definition."""
        return float(self.sd(info, "level").mean())

    def bench_of(self, key: str) -> str:
        """The bench whose error a session of this bench carries: that which it was aligned to, else its own."""
        return self.alignments[key].to_bench if key in self.alignments else key

    @property
    def bench_sd_db(self) -> float:
        """Root mean square of the default bench error over 100 Hz–10 kHz: what an alignment's residual is held
        against."""
        return float(np.sqrt(np.mean(sd_over_frequency(DEFAULT_SD["calibration"])[band(100.0, 10000.0)] ** 2)))


DEFAULT = ErrorModel()
