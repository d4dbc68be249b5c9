"""How the pattern behaves off the axis (method:metrics#directivity): beamwidth, how far the tone holds, turning
sensitivity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, grid
from speakerdb.acoustics.curveset import PER_ORBIT, STEP_DEG
from speakerdb.acoustics.grid import WHOLE, Points
from speakerdb.acoustics.response import REFERENCE, Line, line

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

EDGE_DB = -6.0
BEAM = grid.band(1000.0, 10000.0)
TONE = grid.band(300.0, 10000.0)
TONE_RMS_DB, TONE_LEVEL_DB = 1.5, -6.0


TURNS_DEG = (0, 10, 20, 30)
# every point and every second one of 300 Hz–10 kHz: the latter will do for turned in-room curves and for the distance
# of beamwidths; intervals of patterns need every one
EVERY, SECOND = (Points(slice(TONE.start, TONE.stop, nth)) for nth in (1, 2))

# slots going out from the axis on each side, 0 … 180
_OUT = np.arange(0, 181, STEP_DEG)
SIDES: dict[str, list[int]] = {
    "left": curveset.h(*_OUT),
    "right": curveset.h(0, *(-_OUT[1:-1]), 180),
    "up": curveset.v(*_OUT),
    "down": curveset.v(0, *(-_OUT[1:-1]), 180),
}


def level_at(level_db: Floats, side: str, angle_deg: float) -> Array:
    """(..., F) level at an angle out on one side of curves (..., 72, F), linear in amplitude between their angles."""
    low = min(int(angle_deg // STEP_DEG), PER_ORBIT // 2 - 1)
    share = angle_deg / STEP_DEG - low
    near, far = (10.0 ** (level_db[..., SIDES[side][low + i], :] / 20.0) for i in (0, 1))
    return np.asarray(20.0 * np.log10(near * (1.0 - share) + far * share))


@dataclass(frozen=True, eq=False)
class Angle:
    """deg (...): an angle; at_least (...): it goes on beyond what was measured; NaN where nothing was measured."""

    deg: Array
    at_least: Flags


class _Outward:
    """Going out from 0 by 10° steps: where values (...) first fall below a limit, linear in between.

    No crossing in all 180°: 180. Angles not measured before a crossing: the last one measured, "at least". Nothing
    beside the axis measured: unknown.
    """

    def __init__(self, limit: float) -> None:
        self._limit, self._steps = limit, 0
        self._inner: Floats = np.empty(0)

    def step(self, value: Floats) -> None:
        """One angle further."""
        missing, below = np.isnan(value), value < self._limit
        if self._steps == 0:
            self.open: Flags = ~(missing | below)  # (...): still looking
            self._deg: Array = np.asarray(np.where(missing, np.nan, np.where(below, 0.0, 180.0)), value.dtype)
            self._at_least = np.zeros(value.shape, bool)
        ends, crosses = self.open & missing, self.open & below
        if ends.any():
            self._deg[ends] = (self._steps - 1) * STEP_DEG if self._steps > 1 else np.nan
            self._at_least |= ends & (self._steps > 1)
            self.open &= ~ends
        if crosses.any():
            inner = self._inner[crosses]
            share = (inner - self._limit) / (inner - value[crosses])
            self._deg[crosses] = (self._steps - 1.0 + share) * STEP_DEG
            self.open &= ~crosses
        self._inner, self._steps = value, self._steps + 1

    @property
    def angle(self) -> Angle:
        return Angle(self._deg, self._at_least)


def first_crossing(value: Floats, limit: float) -> Angle:
    """Where value (..., 19, F) along axis -2 (angles 0, 10 … 180) first falls below a limit: (..., F)."""
    out = _Outward(limit)
    for i in range(value.shape[-2]):
        out.step(value[..., i, :])
        if not out.open.any():
            break
    return out.angle


def full_angle(smoothed_db: Floats, sides: tuple[str, str]) -> Angle:
    """The full −6 dB angle over frequency (..., F) of curves (..., 72, F), both sides together, re the axis (H 0)."""
    axis = smoothed_db[..., curveset.ON_AXIS, :]
    found = []
    for side in sides:
        first, *others = SIDES[side]
        out = _Outward(EDGE_DB)
        # the axis of either orbit is where the pattern starts: 0 dB there by definition, also on the vertical orbit
        out.step((smoothed_db[..., first, :] - axis) * 0.0)
        for slot in others:
            out.step(smoothed_db[..., slot, :] - axis)
            if not out.open.any():
                break
        found.append(out.angle)
    return Angle(found[0].deg + found[1].deg, found[0].at_least | found[1].at_least)


@dataclass(frozen=True, eq=False)
class Beamwidth:
    """median_deg (...) over 1–10 kHz; at_least: the median may be wider; sd_oct (...): about the line of log2(angle)
    over log f, NaN where a part of the band is not closed."""

    median_deg: Array
    at_least: Flags
    sd_oct: Array


def beamwidth(angle: Angle, points: Points = WHOLE) -> Beamwidth:
    """Median and evenness over 1–10 kHz of a full angle over the points' frequencies (..., F)."""
    deg, open_end = angle.deg[..., points.inside(BEAM)], angle.at_least[..., points.inside(BEAM)]
    median = np.median(deg, axis=-1)
    # a lower bound moves the median up only where it stands at or below the upper one of the two in the middle
    middle = np.partition(deg, deg.shape[-1] // 2, axis=-1)[..., deg.shape[-1] // 2, None]
    at_least = np.asarray((open_end & (deg <= middle)).any(axis=-1)) & ~np.isnan(median)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread: Line = line(np.log2(np.where(angle.deg > 0, angle.deg, np.nan)), points.inside(BEAM), points.log2_hz)
    return Beamwidth(median, at_least, np.where(open_end.any(axis=-1), np.nan, spread.ripple))


def tone_angle(smoothed_db: Floats, smoothed_lw_db: Floats, side: str, points: Points = WHOLE) -> Angle:
    """The angle up to which the tone holds on a side: of curves (..., 72, F) re the listening window (..., F), over 300
    Hz–10 kHz, RMS with the mean removed ≤ 1.5 dB and that mean ≥ −6 dB; 0 if the axis fails."""
    tone = points.inside(TONE)
    shape, loud = _Outward(-TONE_RMS_DB), _Outward(TONE_LEVEL_DB)
    for slot in SIDES[side]:
        relative = smoothed_db[..., slot, tone] - smoothed_lw_db[..., tone]
        level = relative.mean(axis=-1)
        shape.step(-np.sqrt(np.mean((relative - level[..., None]) ** 2, axis=-1)))
        loud.step(level)
        if not (shape.open & loud.open).any():
            break
    return worse(shape.angle, loud.angle)


def worse(a: Angle, b: Angle) -> Angle:
    """The smaller of two angles; "at least" only where the smaller one is."""
    first = (a.deg < b.deg) | ((a.deg == b.deg) & ~a.at_least)
    deg = np.where(first, a.deg, b.deg)
    open_end = np.where(first, a.at_least, b.at_least)
    return Angle(np.where(np.isnan(a.deg) | np.isnan(b.deg), np.nan, deg), open_end)


TURNED = tuple(sorted({s * t for t in TURNS_DEG for s in (1, -1)}))  # −30 … 30

# On p² of every slot: 0.12·LW + 0.44·ER; with the axis turned the horizontal orbit's share is re-centred
_LISTED = curveset.IN_ROOM_WEIGHTS["lw"] * curveset.LW_WEIGHTS + curveset.IN_ROOM_WEIGHTS["er"] * curveset.ER_WEIGHTS
# (7, 36) of the horizontal orbit with the axis at each of TURNED, and (36,) of the vertical one, whose curves shift by
# H(t) − H(0)
TURNED_WEIGHTS = np.stack([np.roll(_LISTED[:PER_ORBIT], t // STEP_DEG) for t in TURNED]), _LISTED[PER_ORBIT:]


def turned_in_room(power: Array) -> Array:
    """In-room curves in dB (..., 7, 199) with the axis at each of TURNED, from p² (..., 72, 199).

    The horizontal lists are re-centred, the vertical curves shifted by H(t) − H(0), the sound power kept.
    """
    lists, vertical_weights = TURNED_WEIGHTS
    horizontal = curveset.average(power[..., :PER_ORBIT, :], lists)
    vertical = curveset.average(power[..., PER_ORBIT:, :], vertical_weights[None])
    sound_power = curveset.average(power, curveset.SP_WEIGHTS[None])
    axes = power[..., curveset.h(*TURNED), :] / power[..., curveset.ON_AXIS, None, :]
    return np.asarray(10.0 * np.log10(horizontal + vertical * axes + curveset.IN_ROOM_WEIGHTS["sp"] * sound_power))


def turning_sensitivity(in_room_db: Floats, points: Points = WHOLE) -> Array:
    """RMS over 300 Hz–10 kHz of the change of the in-room curve as the axis goes to 0, 10, 20, 30° on each side, in dB.

    in_room_db (..., 7, F) as of `turned_in_room`; each is set to its own mean over 300 Hz–3 kHz; mean of the two sides.
    """
    set_equal = in_room_db - in_room_db[..., points.inside(REFERENCE)].mean(axis=-1, keepdims=True)
    sides = []
    for sign in (1, -1):
        chosen = [TURNED.index(sign * t) for t in TURNS_DEG]
        change = set_equal[..., chosen, :][..., points.inside(TONE)].std(axis=-2)
        sides.append(np.sqrt(np.mean(change**2, axis=-1)))
    return np.asarray((sides[0] + sides[1]) / 2.0)
