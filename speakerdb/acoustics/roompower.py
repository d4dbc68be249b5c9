"""The power that a loudspeaker gives to a room, from what was measured on two orbits (method:metrics#room-power).

The curve set's sound power has the standard's weights, which take each curve for the part of the sphere that is nearest
to it: of a source that beams alike in all directions that is up to 0.6 dB too much power. Here the level in between is
worked out from both orbits, and its power averaged over the sphere.

A direction x (front), y (left), z (up), θ off the axis. A round source has H(θ) everywhere; a column of round sources
H(θ) times what the column makes of the height alone, which the vertical orbit shows at the angle whose sine is |z|,
relative to the horizontal one there. So L = H(θ) + [V − H](asin |z|), exact for both (derived); where the vertical
orbit carries the more power, as of a row of sources side by side, with their roles exchanged, and in between a mixture.
"""

from __future__ import annotations

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
CROSS_FADE_DB = 1.0  # of power by which one orbit has to exceed the other to lead alone (own judgement)
SEAM_DEG = 10.0  # about the plane of 90°, where angles in front and behind meet
_GRID_DEG = 5.0


@cache
def _directions() -> tuple[Array, Array, Array, Array]:
    """x, y, z and weight (D,) of directions 5° apart in the angle off the axis and about it; the weights sum to 1."""
    off = np.radians(np.arange(_GRID_DEG / 2.0, 180.0, _GRID_DEG))
    about = np.radians(np.arange(_GRID_DEG / 2.0, 360.0, _GRID_DEG))
    theta, psi = (a.reshape(-1) for a in np.meshgrid(off, about, indexing="ij"))
    weight = np.sin(theta)
    return np.cos(theta), np.sin(theta) * np.cos(psi), np.sin(theta) * np.sin(psi), weight / weight.sum()


@cache
def _half_orbits() -> NDArray[np.int64]:
    """(2, 2, 19) slots at 0, 10 … 180° on each side: horizontal to the left and right, vertical up and down."""
    out = range(0, 181, STEP_DEG)
    sides = [
        [curveset.h(*out), curveset.h(0, *(-a for a in out[1:-1]), 180)],
        [curveset.v(*out), curveset.v(0, *(-a for a in out[1:-1]), 180)],
    ]
    return np.array(sides)


@cache
def _mixing() -> tuple[NDArray[np.int64], NDArray[np.int64], Array, Array]:
    """Of each direction: its sides on both orbits (D,), (D,), and how the 19 angles of a half-orbit make up what stands
    at an angle: (3, D, 19) at θ, at the angle whose sine is |z| and at that whose sine is |y|; weight (D,)."""
    x, y, z, weight = _directions()
    theta = np.degrees(np.arccos(x))
    behind = np.clip(0.5 - x / (2.0 * np.sin(np.radians(SEAM_DEG))), 0.0, 1.0)
    at = [_line(theta)]
    for part in (z, y):
        turned = np.degrees(np.arcsin(np.abs(part)))
        at.append(_line(turned) * (1.0 - behind[:, None]) + _line(180.0 - turned) * behind[:, None])
    return (y < 0).astype(np.int64), (z < 0).astype(np.int64), np.stack(at), weight


def _line(angle_deg: Array) -> Array:
    """(D, 19) shares of the angles 0, 10 … 180°, straight lines between them."""
    place = angle_deg / STEP_DEG
    low = np.minimum(place.astype(np.int64), 17)
    found = np.zeros((len(place), 19))
    rows = np.arange(len(place))
    found[rows, low], found[rows, low + 1] = low + 1 - place, place - low
    return found


def room_power(level_db: Floats) -> Array:
    """(..., F) level of the mean p² over the sphere at 1 m, from levels (..., 72, F) on both orbits; NaN where one of
    their angles is missing."""
    amplitude = 10.0 ** (np.asarray(level_db, np.float64) / 20.0)
    axis = np.maximum(amplitude[..., curveset.ON_AXIS, :], amplitude[..., curveset.V_AXIS, :])[..., None, :]
    amplitude = np.maximum(amplitude, 10.0 ** (FLOOR_DB / 20.0) * axis)
    side = amplitude[..., _half_orbits(), :]  # (..., orbit, side, 19, F)
    right, down, lines, weight = _mixing()
    shape = level_db.shape[:-2]
    found = np.empty((*shape, level_db.shape[-1]))
    for index in np.ndindex(*shape):
        found[index] = _power(side[index], right, down, lines, weight)
    return np.asarray(10.0 * np.log10(found))


def _power(side: Array, right: NDArray[np.int64], down: NDArray[np.int64], lines: Array, weight: Array) -> Array:
    """(F,) mean p² over the sphere of one speaker: side (2, 2, 19, F)."""
    ring = np.sin(np.radians(np.arange(0, 181, STEP_DEG)))
    carried = 10.0 * np.log10(np.einsum("a,osaf->of", ring / ring.sum() / 2.0, side**2))
    lead = np.clip(0.5 + (carried[0] - carried[1]) / (2.0 * CROSS_FADE_DB), 0.0, 1.0)  # of the horizontal orbit
    flat, upright = side[0], side[1]
    # at θ, and at the angles whose sines are |z| and |y|, of the sides that a direction lies on
    h_off, h_up, h_side = (_at(line, flat, right) for line in lines)
    v_off, v_up, v_side = (_at(line, upright, down) for line in lines)
    most = 10.0 ** (MOST_DB / 20.0) * np.maximum(h_off, v_off)
    by_h = np.minimum(h_off * v_up / h_up, most) ** 2
    by_v = np.minimum(v_off * h_side / v_side, most) ** 2
    return np.asarray(lead * (weight @ by_h) + (1.0 - lead) * (weight @ by_v))


def _at(line: Array, curves: Array, of_side: NDArray[np.int64]) -> Array:
    """(D, F) curves (2, 19, F) at the angles of directions, each on its side."""
    return np.asarray(np.where(of_side[:, None] == 0, line @ curves[0], line @ curves[1]))
