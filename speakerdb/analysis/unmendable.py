"""What filters leave, and why: where curves depart from even in one direction and not in the others."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, response
from speakerdb.analysis import filter_fitting

Array = NDArray[np.float64]

# what is left of a curve from which on it is named (own judgement)
TOLD_DB = 1.5
_HAS_IT = 0.5  # of that: a curve that departs by so much has it too
_LEAST_POINTS = 3  # a stretch of fewer is not told

ROLL_OFF = "the roll-off of the box: lifting it would overdrive the bass"
AXIS = "on axis only: gone a little beside the axis, so the filter would be heard everywhere else"
DIRECT = "in the direct sound only, not in what the room reflects"
REFLECTED = "off axis only: a lobe, or drivers that differ in width"
OPPOSITE = "direct and reflected sound depart in opposite ways: a filter mends one and worsens the other"
CANCELLATION = "a dip in all directions, as deep as a cancellation: a boost would not fill it"
MIXED = "stronger in some directions than in others: what all share is mended"
BEYOND = "in all directions, beyond what so few filters reach"


@dataclass(frozen=True)
class Left:
    """A stretch of frequencies and why no filter mends it."""

    from_hz: float
    to_hz: float
    why: str


def left_over(deviation_db: Array, added_db: Array, cancelled: NDArray[np.bool_], from_hz: float) -> list[Left]:
    """What stays of deviations (5, 199: on axis, window, early reflections, power, in room) with filters that add
    added_db (199,): the roll-off first, then from low to high. cancelled (199,): dips that no filter was tried on."""
    level = added_db[response.REFERENCE].mean()
    stays = filter_fitting.averaged(deviation_db) + filter_fitting.averaged(added_db) - level
    inside = grid.band(from_hz * 2.0**filter_fitting.SHOULDER_OCT, filter_fitting.TO_HZ)
    found = [Left(float(grid.FREQUENCY_HZ[0]), from_hz, ROLL_OFF)] if from_hz > grid.FREQUENCY_HZ[0] else []
    score = stays[:, inside] / TOLD_DB
    reasons = [
        _why(one, bool(gone)) if np.abs(one).max() >= 1.0 else ""
        for one, gone in zip(score.T, cancelled[inside], strict=True)
    ]
    f, first = grid.FREQUENCY_HZ[inside], 0
    for why, run in groupby(reasons):
        last = first + len(list(run))
        if why and last - first >= _LEAST_POINTS:
            found.append(Left(float(f[first]), float(f[last - 1]), why))
        first = last
    return _joined(found)


def _why(score: Array, cancelled: bool) -> str:
    """Of one frequency, from how far each curve is off there, in those from which on it is named."""
    has = np.abs(score) >= _HAS_IT
    sign = np.sign(score[has])
    if has.all() and (sign == sign[0]).all():
        return CANCELLATION if cancelled else BEYOND
    if (sign > 0).any() and (sign < 0).any():
        return OPPOSITE
    if has[0] and not has[1:].any():
        return AXIS
    return REFLECTED if not has[:2].any() else DIRECT if not has[2:4].any() else MIXED


def _joined(found: list[Left]) -> list[Left]:
    """Neighbours within a third of an octave that have the same reason, as one."""
    kept: list[Left] = []
    for one in found:
        if kept and kept[-1].why == one.why and one.from_hz <= kept[-1].to_hz * 2.0 ** (1.0 / 3.0):
            kept[-1] = Left(kept[-1].from_hz, one.to_hz, one.why)
        else:
            kept.append(one)
    return kept
