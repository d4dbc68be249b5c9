"""A loudspeaker near large plane surfaces: what they send to a seat, and what they add to the power it gives to a room
(method:metrics#placement).

A plane that reflects the share R of the pressure is as good as a mirror: the sound that it sends goes straight from the
speaker to the ear's image behind it. Surfaces stand at right angles, at most one for each axis, so n of them make 2ⁿ
images, each crossed once for each surface that it lies behind. Exact for planes without end (any acoustics textbook).
Coordinates x, y, z in m; levels in dB re the level at 1 m on axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.room import SPEED_OF_SOUND_M_S

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

_PIECE = 2_000_000  # numbers of one array that are worked on at a time


@dataclass(frozen=True)
class Surface:
    """A plane at right angles to an axis (0, 1, 2: x, y, z), at_m along it."""

    name: str
    axis: int
    at_m: float


def crossed(count: int) -> NDArray[np.bool_]:
    """(2ⁿ, n) which surfaces lie between the speaker and each image; the ear itself first."""
    return np.array(list(product((False, True), repeat=count)), bool).reshape(2**count, count)


def ways(source_m: Floats, ear_m: Floats, surfaces: Sequence[Surface]) -> Array:
    """(..., 2ⁿ, 3) from the speaker (..., 3) to the images of the ear (..., 3), in the order of `crossed`."""
    ear = np.asarray(ear_m, np.float64)[..., None, :]
    images = np.broadcast_to(ear, (*ear.shape[:-2], 2 ** len(surfaces), 3)).copy()
    for i, surface in enumerate(surfaces):
        behind = crossed(len(surfaces))[:, i]
        images[..., behind, surface.axis] = 2.0 * surface.at_m - images[..., behind, surface.axis]
    return np.asarray(images - np.asarray(source_m, np.float64)[..., None, :])


def shares(reflects: Floats, count: int) -> Array:
    """(..., 2ⁿ) Rᵐ: what is left of the pressure on the way to each image of n surfaces that reflect R (...)."""
    return np.asarray(np.asarray(reflects, np.float64)[..., None] ** crossed(count).sum(axis=1))


def seat_power(frequency_hz: Floats, ways_m: Floats, share: Floats, amplitude: Floats) -> Array:
    """(..., F) p² at the ear: |Σ s·A·e^(−jk(r − r0))/r|² over ways (..., I, 3), the direct one first, that leave in
    phase; share (..., I): what reflections leave of the pressure. amplitude (I, F): what the speaker radiates along
    each, at 1 m."""
    length = np.linalg.norm(ways_m, axis=-1)
    later = length - length[..., :1]
    weight = np.asarray(share, np.float64) / length
    k = 2.0 * np.pi * np.asarray(frequency_hz, np.float64) / SPEED_OF_SOUND_M_S
    shape = (*length.shape[:-1], len(k))
    flat_later, flat_weight = later.reshape(-1, len(amplitude)), weight.reshape(-1, len(amplitude))
    found = np.empty((len(flat_later), len(k)))
    rows = max(1, _PIECE // len(k))
    for start in range(0, len(found), rows):
        part = slice(start, start + rows)
        real, imaginary = np.zeros((2, *found[part].shape))
        for i in range(len(amplitude)):
            phase = flat_later[part, i, None] * k
            size = flat_weight[part, i, None] * amplitude[i]
            real += size * np.cos(phase)
            imaginary += size * np.sin(phase)
        found[part] = real * real + imaginary * imaginary
    return found.reshape(shape)


def power_gain(frequency_hz: Floats, distances_m: Floats, reflects: Floats) -> Array:
    """(..., F) how many times the power that a speaker gives to the room in free field it gives near surfaces at
    distances (..., n) from it: Σ Rᵐ·sin(2k|d|)/(2k|d|) over the images, d the distances that each crosses, the first
    term 1 (Waterhouse, JASA 1955, from memory)."""
    k = 2.0 * np.pi * np.asarray(frequency_hz, np.float64) / SPEED_OF_SOUND_M_S
    behind = crossed(np.shape(distances_m)[-1])
    away = np.sqrt((np.asarray(distances_m, np.float64) ** 2) @ behind.T.astype(np.float64))  # (..., I)
    weight = shares(reflects, np.shape(distances_m)[-1])
    return np.asarray((weight[..., None] * np.sinc(2.0 * away[..., None] * k / np.pi)).sum(axis=-2))


def first_dip_hz(way_m: Floats, direct_m: Floats) -> float:
    """Where a reflection arrives half a wavelength after the direct sound."""
    return float(SPEED_OF_SOUND_M_S / 2.0 / (np.linalg.norm(way_m) - np.linalg.norm(direct_m)))
