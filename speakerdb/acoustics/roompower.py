"""The power that a loudspeaker gives to a room, from what was measured on two orbits (method:metrics#room-power).

The curve set's sound power has the standard's weights, which take each curve for the part of the sphere that is nearest
to it: of a source that beams alike in all directions that is up to 0.6 dB too much power. Here the level in between is
worked out from both orbits, and its power averaged over the sphere.

A direction x (front), y (left), z (up), θ off the axis. A round source has H(θ) everywhere; a column of round sources
that are alike H(θ) times what the column makes of the height alone, which the vertical orbit shows at the angle whose
sine is |z|, relative to the horizontal one there. So L = H(θ) + [V − H](asin |z|), exact for both (derived). Of a row
of sources side by side the same holds with the roles of the orbits exchanged. Which of them it is, the orbits tell:
sources that lie along an orbit interfere there, so its level goes up and down with the angle, and the smoother orbit
is the one to take along θ. How much power an orbit carries doesn't tell it: lobes may leave the axis in a dip.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset
from speakerdb.acoustics.curveset import STEP_DEG

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

FLOOR_DB = -40.0  # re the axis: below it levels are noise, and quotients of them say nothing (own judgement)
MOST_DB = 3.0  # above the louder of both orbits at that angle off the axis (own judgement)
CROSS_FADE_DB = 1.0  # of change from angle to angle by which one orbit is smoother where it leads alone (own judgement)
SEAM_DEG = 10.0  # about the plane of 90°, where angles in front and behind meet
STEPS_IN_FRONT = 90 // STEP_DEG  # what lies behind is too low, and too near the noise, to tell lobes by
# by what it is off in the third-octave bands 50 Hz–10 kHz, RMS and at most, which is near crossovers between drivers:
# invented speakers of all kinds against their own spheres (tests/acoustics/test_roompower.py)
ERROR_RMS_DB, ERROR_MOST_DB = 0.2, 2.0
_OFF_DEG, _ABOUT_DEG = 5.0, 10.0  # finer moves the power of no speaker by 0.1 dB


@dataclass(frozen=True, eq=False)
class Quarter:
    """Directions with y, z ≥ 0, each of which stands for its mirror images to the right and below as well.

    How the angles 0, 10 … 180° of a half-orbit make up what stands at an angle, (D, 19) each: off is θ, up the angle
    whose sine is z, aside that whose sine is y.
    """

    off: Array
    up: Array
    aside: Array


def quarter(x: Floats, y: Floats, z: Floats) -> Quarter:
    """Of unit vectors (D,), y and z ≥ 0."""
    behind = np.clip(0.5 - x / (2.0 * np.sin(np.radians(SEAM_DEG))), 0.0, 1.0)[:, None]

    def turned(part: Floats) -> Array:
        angle = np.degrees(np.arcsin(np.clip(part, 0.0, 1.0)))
        return np.asarray(_line(angle) * (1.0 - behind) + _line(180.0 - angle) * behind)

    return Quarter(_line(np.degrees(np.arccos(np.clip(x, -1.0, 1.0)))), turned(z), turned(y))


def _line(angle_deg: Array) -> Array:
    """(D, 19) shares of the angles 0, 10 … 180°, straight lines between them."""
    place = angle_deg / STEP_DEG
    low = np.minimum(place.astype(np.int64), 17)
    found = np.zeros((len(place), 19))
    rows = np.arange(len(place))
    found[rows, low], found[rows, low + 1] = low + 1 - place, place - low
    return found


@cache
def _sphere() -> tuple[Quarter, Array]:
    """Directions 5° apart in the angle off the axis and 10° about it, and the share of the sphere (D,) that each of a
    direction's four images has."""
    off = np.radians(np.arange(_OFF_DEG / 2.0, 180.0, _OFF_DEG))
    about = np.radians(np.arange(_ABOUT_DEG / 2.0, 90.0, _ABOUT_DEG))
    theta, psi = (a.reshape(-1) for a in np.meshgrid(off, about, indexing="ij"))
    weight = np.sin(theta)
    at = quarter(np.cos(theta), np.sin(theta) * np.cos(psi), np.sin(theta) * np.sin(psi))
    return at, weight / (4.0 * weight.sum())


@cache
def _half_orbits() -> NDArray[np.int64]:
    """(2, 2, 19) slots at 0, 10 … 180° on each side: horizontal to the left and right, vertical up and down."""
    out = range(0, 181, STEP_DEG)
    sides = [
        [curveset.h(*out), curveset.h(0, *(-a for a in out[1:-1]), 180)],
        [curveset.v(*out), curveset.v(0, *(-a for a in out[1:-1]), 180)],
    ]
    return np.array(sides)


def room_power(level_db: Floats) -> Array:
    """(..., F) level of the mean p² over the sphere at 1 m, from levels (..., 72, F) on both orbits; NaN where one of
    their angles is missing."""
    at, weight = _sphere()
    shape = level_db.shape[:-2]
    found = np.empty((*shape, level_db.shape[-1]))
    for index in np.ndindex(*shape):
        found[index] = (weight @ power_between(level_db[index], at)).sum(axis=(0, 1))
    return curveset.level_of(found)


def power_between(level_db: Floats, at: Quarter) -> Array:
    """(2, 2, D, F) p² of one speaker in directions to the left and right, up and down, from levels (72, F) on both
    orbits."""
    amplitude = np.sqrt(curveset.power_of(np.asarray(level_db, np.float64)))
    axis = np.maximum(amplitude[curveset.ON_AXIS], amplitude[curveset.V_AXIS])
    flat, upright = np.maximum(amplitude, 10.0 ** (FLOOR_DB / 20.0) * axis)[_half_orbits()]  # (side, 19, F)
    change = _change_db(upright) - _change_db(flat)
    lead = np.clip(0.5 + change / (2.0 * CROSS_FADE_DB), 0.0, 1.0)  # of the horizontal orbit
    h, v = (at.off @ flat) ** 2, (at.off @ upright) ** 2
    most = np.maximum(h[:, None], v[None])
    most *= 10.0 ** (MOST_DB / 10.0)
    found = (h / (at.up @ flat) ** 2)[:, None] * ((at.up @ upright) ** 2)[None]
    by_v = (v / (at.aside @ upright) ** 2)[None] * ((at.aside @ flat) ** 2)[:, None]
    # in place: fresh arrays of this size cost more than what is computed in them
    np.minimum(found, most, out=found)
    np.minimum(by_v, most, out=by_v)
    found *= lead
    by_v *= 1.0 - lead
    found += by_v
    return np.asarray(found)


def _change_db(sides: Array) -> Array:
    """(F,) by how many dB the level changes from one angle to the next in front, on average: amplitudes (2, 19, F)."""
    change = np.abs(np.diff(20.0 * np.log10(sides[:, : STEPS_IN_FRONT + 1]), axis=1))
    return np.asarray(change.mean(axis=(0, 1)))
