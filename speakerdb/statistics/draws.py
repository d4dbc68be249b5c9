"""Noisy versions of a session's curves: what might have been measured (statistics.md §1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.curveset import ANGLES_DEG, PER_ORBIT, SLOTS
from speakerdb.session import SessionInfo
from speakerdb.statistics.error_model import (
    DRAWS,
    MODEL_VERSION,
    SAMPLE_PARTS,
    WIDTH_OCT,
    SharedKeys,
    sd_over_frequency,
    standard_deviation,
)
from speakerdb.statistics.fields import generator, root, smooth_field

Floats32 = NDArray[np.float32]

# how far a direction takes part in the sample's directivity error: 0 on the axis, 1 behind
AWAY = ((1.0 - np.cos(np.radians(np.concatenate([ANGLES_DEG, ANGLES_DEG])))) / 2.0).astype(np.float32)

# horizontal slots at negative angles, and those of the same angle on the other side: one curve where symmetry is declared
_NEGATIVE = [i for i, angle in enumerate(ANGLES_DEG) if -180 < angle < 0]
MIRRORED = (_NEGATIVE, [PER_ORBIT - 2 - i for i in _NEGATIVE])


@dataclass(frozen=True, eq=False)
class SharedErrors:
    """Errors that all curves of a session have in common, per draw: calibration, sample and directivity (B, 199), level (B,)."""

    calibration: Floats32
    sample: Floats32
    directivity: Floats32
    level: Floats32

    @property
    def common(self) -> Floats32:
        """(B, 199): what is added to every curve and every average alike."""
        return self.calibration + self.sample + self.level[:, None]


def shared_errors(info: SessionInfo, keys: SharedKeys, *, unit: bool = False, draws: int = DRAWS) -> SharedErrors:
    """The session's shared errors in dB; unit: about the unit measured, without the parts that differ from sample to sample."""

    def field(part: str, key: str) -> Floats32:
        if unit and part in SAMPLE_PARTS:
            return np.zeros((draws, len(sd_over_frequency(0.0))), np.float32)
        unit_field = smooth_field(generator(part, key, MODEL_VERSION), draws, WIDTH_OCT[part])
        return unit_field * sd_over_frequency(standard_deviation(info, part))

    level_sd = sd_over_frequency(standard_deviation(info, "level")).mean()  # flat by definition
    level = generator("level", keys.run, MODEL_VERSION).standard_normal(draws, dtype=np.float32) * level_sd
    return SharedErrors(
        field("calibration", keys.calibration), field("sample_spread", keys.sample),
        field("sample_directivity", keys.sample), level,
    )  # fmt: skip


def curve_errors(info: SessionInfo, keys: SharedKeys, first: int, last: int) -> Floats32:
    """Repeatability of draws first … last − 1: (last − first, 72, 199) in dB, independent per curve.

    Declared symmetry: ± share one curve and so one error. The draws depend on the session alone, not on how they are
    asked for in parts.
    """
    factor = root(WIDTH_OCT["repeatability"]) * sd_over_frequency(standard_deviation(info, "repeatability"))
    normals = np.empty((last - first, SLOTS, factor.shape[0]), np.float32)
    for row, number in enumerate(range(first, last)):
        generator("repeatability", f"{keys.session}|{number}", MODEL_VERSION).standard_normal(
            out=normals[row], dtype=np.float32
        )
    errors = np.asarray(normals.reshape(-1, factor.shape[0]) @ factor).reshape(last - first, SLOTS, -1)
    if info.symmetric:
        mirrored, twins = MIRRORED
        errors[:, mirrored] = errors[:, twins]
    return errors


def noisy_levels(
    level_db: Floats32, shared: SharedErrors, info: SessionInfo, keys: SharedKeys, first: int, last: int
) -> Floats32:
    """(last − first, 72, 199): the session's levels (72, 199) with all its errors, for the draws first … last − 1."""
    part = slice(first, last)
    noisy = curve_errors(info, keys, first, last)
    noisy += level_db
    noisy += shared.common[part, None, :]
    noisy += shared.directivity[part, None, :] * AWAY[:, None]
    return noisy
