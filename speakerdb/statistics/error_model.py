"""The measurement error model (statistics.md §1): which errors there are, how large, and what shares them.

The standard deviations are our own judgement; a session may override any of them (`[uncertainty]` in session.toml),
as a number or as a table over frequency. Positioning of the microphone is not modelled.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import LOG2_HZ
from speakerdb.session import SessionInfo

MODEL_VERSION = 2  # part of every seed; raised whenever the model or the rule for intervals changes
DRAWS = 400

Table = tuple[tuple[float, float], ...]
Sd = float | Table

# own judgement: 0.5 dB, rising to 1.5 at 30 Hz and below, and to 1 at 10 kHz and above, over the octaves between
CALIBRATION_SD_DB: Table = ((30.0, 1.5), (100.0, 0.5), (5000.0, 0.5), (10000.0, 1.0))
DEFAULT_SD: Mapping[str, Sd] = {
    "calibration": CALIBRATION_SD_DB, "sample_spread": 0.5, "sample_directivity": 0.5, "repeatability": 0.2,
    "level": 0.3, "distortion": 1.0, "distortion_per_drive": 1.0, "compression": 0.1, "impedance_percent": 2.0,
}  # fmt: skip
WIDTH_OCT: Mapping[str, float] = {
    "calibration": 1.0, "sample_spread": 0.5, "sample_directivity": 0.5, "repeatability": 1 / 6,
    "distortion": 1.0, "distortion_per_drive": 1 / 6, "compression": 1 / 6,
}  # fmt: skip
SAMPLE_PARTS = frozenset({"sample_spread", "sample_directivity"})  # left out of statements about the unit measured


def sd_over_frequency(sd: Sd) -> NDArray[np.float32]:
    """(199,) standard deviations: a number as it is, a table linear over log f and constant beyond its ends."""
    if isinstance(sd, int | float):
        return np.full(len(LOG2_HZ), float(sd), np.float32)
    frequency, values = zip(*sd, strict=True)
    return np.asarray(np.interp(LOG2_HZ, np.log2(frequency), values), np.float32)


def scaled(sd: Sd, factor: float) -> Sd:
    """A figure or a table times a factor."""
    return sd * factor if isinstance(sd, int | float) else tuple((f, value * factor) for f, value in sd)


@dataclass(frozen=True)
class SharedKeys:
    """What a session shares its errors with: two sessions with the same key have the same error of that part."""

    calibration: str
    sample: str
    run: str
    session: str

    @classmethod
    def of(cls, info: SessionInfo, content_hash: str) -> SharedKeys:
        """From the data alone: lab, method and calibration id; speaker and serial; run, else lab, sample and date; content."""
        return cls(
            calibration=f"{info.lab}|{info.method}|{info.calibration or ''}",
            sample=f"{info.slug}|{info.sample}",
            run=f"{info.lab}|{info.run}" if info.run else f"{info.lab}|{info.slug}|{info.sample}|{info.date}",
            session=content_hash,
        )


def standard_deviation(info: SessionInfo, part: str) -> Sd:
    """The session's own figure for a part, else the default."""
    return info.uncertainty.get(part, DEFAULT_SD[part])
