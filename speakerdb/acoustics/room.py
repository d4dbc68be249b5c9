"""A loudspeaker in a room: direct and reverberant sound at a seat, where they are equal, and a wall behind the speaker.

Statistical room acoustics (Sabine; Hopkins & Stryker 1948; in every handbook, from memory), good to about 2 dB (own
judgement). Lengths in m, areas in m², volumes in m³, times in s, levels in dB re the level at 1 m in free field.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid

Floats = NDArray[np.floating[Any]] | float
Array = NDArray[np.float64]

SABINE_S_PER_M = 0.161  # 24·ln 10/c at 343 m/s, rounded as in the handbooks
SURFACE_FACTOR = 6.3  # S = 6.3·V^(2/3) of a room of common proportions; a cube has 6
SPEED_OF_SOUND_M_S = 343.0  # air at 20 °C
WALL_REFLECTS = 0.9  # pressure reflection factor of an ordinary wall
_FINER = 16  # evaluations per grid cell, so that a comb finer than the grid is averaged and not sampled


def typical_surface_m2(volume_m3: float) -> float:
    """Surface of a room of which only the volume is known."""
    return float(SURFACE_FACTOR * volume_m3 ** (2.0 / 3.0))


def box_surface_m2(length_m: float, width_m: float, height_m: float) -> float:
    """Surface of a rectangular room."""
    return 2.0 * (length_m * width_m + length_m * height_m + width_m * height_m)


def absorption_m2(volume_m3: float, reverberation_s: float) -> float:
    """Sabine: A = 0.161·V/T."""
    return SABINE_S_PER_M * volume_m3 / reverberation_s


def room_constant_m2(volume_m3: float, reverberation_s: float, surface_m2: float) -> float:
    """R = A/(1 − A/S); infinite (no reverberant sound) where the absorption takes up the whole surface or more."""
    absorption = absorption_m2(volume_m3, reverberation_s)
    return absorption / (1.0 - absorption / surface_m2) if absorption < surface_m2 else float("inf")


def seat_gain_db(di_db: Floats, distance_m: float, room_constant_m2: float) -> NDArray[np.floating[Any]]:
    """Level at a seat re the listening-window level at 1 m: 10·log10(1/r² + 10^(−DI/10)·16π/R), shape and precision of
    di_db.

    di_db: sound-power directivity index, listening window minus sound power. (Hopkins & Stryker: the reverberant p² of
    a source whose mean p² over the sphere at 1 m is p²_SP is 4·4π·p²_SP/R.)
    """
    reverberant = 10.0 ** (np.asarray(di_db) / -10.0) * (16.0 * np.pi / room_constant_m2)
    return np.asarray(10.0 * np.log10(1.0 / distance_m**2 + reverberant))


def critical_distance_m(directivity_factor: Floats, volume_m3: float, reverberation_s: float) -> Array:
    """Where direct and reverberant sound are equal: 0.057·√(Q·V/T) (handbook; R taken as A)."""
    return np.asarray(0.057 * np.sqrt(np.asarray(directivity_factor, np.float64) * volume_m3 / reverberation_s))


def statistical_from_hz(volume_m3: float, reverberation_s: float) -> float:
    """2000·√(T/V) Hz (Schroeder): below it a room answers in single modes, and this model gives no more than a
    range."""
    return float(2000.0 * np.sqrt(reverberation_s / volume_m3))


def boundary_power(frequency_hz: Floats, distance_m: float, rear_db: Floats) -> Array:
    """|1 + 0.9·D·e^(−j2kd)|², what one wall behind adds on the axis; first dip at c/4d.

    distance_m: from the speaker's front to the wall; rear_db: level at 180° re on-axis, broadcast with frequency_hz.
    """
    return _added(np.cos(_phase(frequency_hz, distance_m)), rear_db)


def _phase(frequency_hz: Floats, distance_m: float) -> Array:
    """2kd: the way to the wall and back."""
    return np.asarray(4.0 * np.pi * np.asarray(frequency_hz, np.float64) * distance_m / SPEED_OF_SOUND_M_S)


def _added(cosine: Array, rear_db: Floats) -> Array:
    reflected = WALL_REFLECTS * 10.0 ** (np.asarray(rear_db, np.float64) / 20.0)
    return np.asarray(1.0 + reflected**2 + 2.0 * reflected * cosine)


def first_dip_hz(distance_m: float) -> float:
    """c/4d: there the reflection is half a wavelength late."""
    return SPEED_OF_SOUND_M_S / (4.0 * distance_m)


def boundary_gain_db(distance_m: float, rear_db: NDArray[np.floating[Any]]) -> Array:
    """What a wall behind adds on the analysis grid, 1/3-octave smoothed: (..., 199) for rear_db (..., 199), NaN where
    it is."""
    steps = 2.0 ** (((np.arange(_FINER) + 0.5) / _FINER - 0.5) / grid.POINTS_PER_OCTAVE)
    cosine = np.cos(_phase(np.multiply.outer(steps, grid.FREQUENCY_HZ), distance_m)).mean(axis=0)
    return np.asarray(10.0 * np.log10(grid.smooth_third_octave(_added(cosine, rear_db))))


@dataclass(frozen=True)
class Mode:
    """A mode of a rectangular room: its frequency, and how many half waves lie along length, width and height."""

    frequency_hz: float
    order: tuple[int, int, int]

    @property
    def kind(self) -> Literal["axial", "tangential"]:
        """Between two surfaces, or four."""
        return "axial" if sum(n > 0 for n in self.order) == 1 else "tangential"


def modes(sides_m: tuple[float, float, float], up_to_hz: float) -> list[Mode]:
    """Axial and tangential modes of a room of these sides, from low to high: c/2·√Σ(n/L)² (Rayleigh; in every
    room-acoustics handbook). Those between all six surfaces are weaker, and left out."""
    most = [int(2.0 * up_to_hz * side / SPEED_OF_SOUND_M_S) for side in sides_m]
    found = []
    for order in product(*(range(n + 1) for n in most)):
        if 0 < sum(n > 0 for n in order) < 3:
            f = (
                SPEED_OF_SOUND_M_S
                / 2.0
                * float(np.sqrt(sum((n / side) ** 2 for n, side in zip(order, sides_m, strict=True))))
            )
            if f <= up_to_hz:
                found.append(Mode(f, (order[0], order[1], order[2])))
    return sorted(found, key=lambda mode: (mode.frequency_hz, mode.order))
