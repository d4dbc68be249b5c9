"""Bass measured near the sources joined to what was measured around the speaker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray
from speakerdb.signals.gating import COUNTS_FROM

ComplexArray = NDArray[np.complex128]

LEAST_OCT = 1 / 3
LEAST_POINTS = 8  # at which both are known
COMMON_DB = 0.3  # error of the box solution below the overlap: sizes of the box and the sources a few percent off
RULE_DB = 3.0  # the same of the rule of thumb for bodies that are no box
FRONT_DEG = 60.0  # angles over which near and far are held against each other
ASKED_OFFSET_DB, ASKED_RESIDUAL_DB = 2.0, 1.0


@dataclass(frozen=True)
class Join:
    """from_hz to to_hz: the overlap; offset_db is added to the near; residual_db: what is left between them, RMS."""

    from_hz: float
    to_hz: float
    offset_db: float
    residual_db: float


def overlap_hz(gate_s: float, highest_near_hz: float) -> tuple[float, float] | None:
    """[2/T, min(4/T, f_top)]; None where that is less than a third of an octave."""
    low, high = COUNTS_FROM / gate_s, min(2.0 * COUNTS_FROM / gate_s, highest_near_hz)
    return (low, high) if high >= low * 2.0**LEAST_OCT * (1 - 1e-9) else None


def gate_needed_s(highest_near_hz: float) -> float:
    """The shortest gate whose overlap is wide enough."""
    return float(COUNTS_FROM * 2.0**LEAST_OCT / highest_near_hz)


def join(
    frequency_hz: FloatArray,
    near_db: FloatArray,
    far_db: FloatArray,
    angle_deg: FloatArray,
    band_hz: tuple[float, float],
) -> Join | None:
    """Hold near_db against far_db (n, F), both of the same angles, over the overlap and the front angles (all, where
    there are none); None where they are nowhere known together."""
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    front = np.abs(angle_deg) <= FRONT_DEG
    apart = (far_db - near_db)[front if front.any() else slice(None)][:, inside]
    apart = apart[:, np.isfinite(apart).any(axis=0)]
    if apart.shape[1] < LEAST_POINTS:
        return None
    offset = float(np.nanmean(apart))
    mean = np.nanmean(apart, axis=0) - offset
    return Join(band_hz[0], band_hz[1], offset, float(np.sqrt(np.mean(mean**2))))


def faded(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> FloatArray:
    """(F,) share of the far: half a cosine over log f, 0 below the overlap and 1 above."""
    low, high = np.log(band_hz[0]), np.log(band_hz[1])
    at = np.clip((np.log(frequency_hz) - low) / (high - low), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * at))


def merged_db(near_db: FloatArray, far_db: FloatArray, share: FloatArray) -> FloatArray:
    """Levels (n, F) cross-faded in dB; where one has no part the other stands alone, NaN or not."""
    near, far = np.where(share < 1.0, near_db, 0.0), np.where(share > 0.0, far_db, 0.0)
    return np.asarray((1.0 - share) * near + share * far)


def merged_phase_deg(
    frequency_hz: FloatArray, near_deg: FloatArray, far_deg: FloatArray, share: FloatArray
) -> FloatArray:
    """Phases (n, F) cross-faded after the near is delayed to fit the far over the overlap, each angle by itself."""
    inside = (share > 0.0) & (share < 1.0)
    f = frequency_hz[inside]
    turn = np.unwrap(np.radians(far_deg - near_deg)[:, inside], axis=1)
    away = f - f.mean()
    slope = (turn * away).sum(axis=1) / (away**2).sum()
    near = np.radians(near_deg) + slope[:, None] * frequency_hz
    step = np.angle(np.exp(1j * (np.radians(far_deg) - near)))
    joined = np.degrees(np.angle(np.exp(1j * (near + share * step))))
    return np.where(share >= 1.0, far_deg, joined)  # the near need not be known there


def rule_of_thumb(radii_m: FloatArray, counts: NDArray[np.integer]) -> FloatArray:
    """(S,) far field at 1 m per pressure close to each source: √(S_m/S_1)·a_1/2, the first the cone (D. B. Keele,
    "Low-frequency loudspeaker assessment by nearfield sound-pressure measurement", 1974, from memory)."""
    return np.asarray(np.sqrt(radii_m**2 / radii_m[0] ** 2) * counts * radii_m[0] / 2.0)
