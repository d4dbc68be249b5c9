"""How the pattern behaves off the axis (metrics.md §4): beamwidth, how far the tone holds, turning sensitivity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, grid
from speakerdb.acoustics.curveset import PER_ORBIT, STEP_DEG
from speakerdb.acoustics.response import REFERENCE, Line, line

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

EDGE_DB = -6.0
BEAM = grid.band(1000.0, 10000.0)
TONE = grid.band(300.0, 10000.0)
TONE_RMS_DB, TONE_LEVEL_DB = 1.5, -6.0


@dataclass(frozen=True, eq=False)
class Points:
    """Frequencies at which patterns are looked at: `of_grid` picks them (F) from the grid's, log2_hz (F,) says where they lie, beam
    and tone which of them are 1–10 kHz and 300 Hz–10 kHz."""

    of_grid: slice
    log2_hz: Array
    beam: slice
    tone: slice


def _every(nth: int) -> Points:
    """Every n-th grid point of 300 Hz–10 kHz."""
    of_grid = slice(TONE.start, TONE.stop, nth)
    beam = slice(-(-(BEAM.start - TONE.start) // nth), -(-(BEAM.stop - TONE.start) // nth))
    return Points(of_grid, grid.LOG2_HZ[of_grid], beam, slice(None))


TURNS_DEG = (0, 10, 20, 30)
GRID = Points(slice(None), grid.LOG2_HZ, BEAM, TONE)
EVERY, SECOND = _every(1), _every(2)  # the second will do for curves that are 1/3-octave smoothed

# slots going out from the axis on each side, 0 … 180
_OUT = np.arange(0, 181, STEP_DEG)
SIDES: dict[str, list[int]] = {
    "left": curveset.h(*_OUT), "right": curveset.h(0, *(-_OUT[1:-1]), 180),
    "up": curveset.v(*_OUT), "down": curveset.v(0, *(-_OUT[1:-1]), 180),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Angle:
    """deg (...): an angle; at_least (...): it goes on beyond what was measured; NaN where nothing was measured."""

    deg: Array
    at_least: Flags


def first_crossing(value: Array, limit: float) -> Angle:
    """Going out from 0 along axis -2 (angles 0, 10 … 180), where value (..., 19, F) first falls below limit, linear in between.

    No crossing in all 180°: 180. Angles not measured before a crossing: the last one measured, "at least". Nothing beside the
    axis measured: unknown.
    """
    missing = np.isnan(value)
    below = (value < limit) & ~missing
    count = value.shape[-2]
    crossing = np.where(below.any(axis=-2), np.argmax(below, axis=-2), count)
    gap = np.where(missing.any(axis=-2), np.argmax(missing, axis=-2), count)
    i = np.clip(crossing, 1, count - 1)[..., None, :]
    inner = np.take_along_axis(value, i - 1, axis=-2)[..., 0, :]
    outer = np.take_along_axis(value, i, axis=-2)[..., 0, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (inner - limit) / (inner - outer)
    at = (i[..., 0, :] - 1 + share) * STEP_DEG
    at = np.where(crossing == 0, 0.0, at)
    crossed, open_end = crossing < gap, (gap < count) & (crossing >= gap)
    deg = np.where(crossed, at, np.where(open_end, (gap - 1.0) * STEP_DEG, 180.0))
    return Angle(np.where((gap == 0) | (open_end & (gap == 1)), np.nan, deg), open_end & (gap > 1))


def full_angle(smoothed_db: Array, sides: tuple[str, str]) -> Angle:
    """The full −6 dB angle over frequency (..., 199) of curves (..., 72, 199), both sides together, re the axis (H 0)."""
    axis = smoothed_db[..., curveset.ON_AXIS, None, :]
    both = [first_crossing(_from_axis(smoothed_db[..., SIDES[s], :] - axis), EDGE_DB) for s in sides]
    return Angle(both[0].deg + both[1].deg, both[0].at_least | both[1].at_least)


def _from_axis(relative: Array) -> Array:
    """The axis of either orbit is where the pattern starts: 0 dB there by definition, also on the vertical orbit."""
    relative[..., 0, :] = np.where(np.isnan(relative[..., 0, :]), np.nan, 0.0)
    return relative


@dataclass(frozen=True, eq=False)
class Beamwidth:
    """median_deg (...) over 1–10 kHz; at_least: the median may be wider; evenness: line of log2(angle) over log f, NaN ripple
    where a part of the band is not closed."""

    median_deg: Array
    at_least: Flags
    sd_oct: Array


def beamwidth(angle: Angle, points: Points = GRID) -> Beamwidth:
    """Median and evenness over 1–10 kHz of a full angle over the points' frequencies (..., F)."""
    deg, open_end = angle.deg[..., points.beam], angle.at_least[..., points.beam]
    median = np.median(deg, axis=-1)
    # a lower bound moves the median up only where it stands at or below the upper one of the two in the middle
    middle = np.partition(deg, deg.shape[-1] // 2, axis=-1)[..., deg.shape[-1] // 2, None]
    at_least = np.asarray((open_end & (deg <= middle)).any(axis=-1)) & ~np.isnan(median)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread: Line = line(np.log2(np.where(angle.deg > 0, angle.deg, np.nan)), points.beam, points.log2_hz)
    return Beamwidth(median, at_least, np.where(open_end.any(axis=-1), np.nan, spread.ripple))


def tone_deviation(
    smoothed_db: Array, smoothed_lw_db: Array, side: str, points: Points = GRID
) -> tuple[Array, Array]:
    """RMS in dB over 300 Hz–10 kHz of the curves of a side re the listening window with the mean removed (..., 19), and
    that mean (..., 19)."""
    relative = (smoothed_db[..., SIDES[side], :] - smoothed_lw_db[..., None, :])[..., points.tone]
    level = relative.mean(axis=-1)
    return np.sqrt(np.mean((relative - level[..., None]) ** 2, axis=-1)), level


def tone_angle(smoothed_db: Array, smoothed_lw_db: Array, side: str, points: Points = GRID) -> Angle:
    """The angle up to which the tone holds on a side: RMS ≤ 1.5 dB and level ≥ −6 dB re the listening window; 0 if the axis fails."""
    rms, level = tone_deviation(smoothed_db, smoothed_lw_db, side, points)
    shape = first_crossing(-rms[..., None], -TONE_RMS_DB)
    loud = first_crossing(level[..., None], TONE_LEVEL_DB)
    return worse(Angle(shape.deg[..., 0], shape.at_least[..., 0]), Angle(loud.deg[..., 0], loud.at_least[..., 0]))


def worse(a: Angle, b: Angle) -> Angle:
    """The smaller of two angles; "at least" only where the smaller one is."""
    first = (a.deg < b.deg) | ((a.deg == b.deg) & ~a.at_least)
    deg = np.where(first, a.deg, b.deg)
    open_end = np.where(first, a.at_least, b.at_least)
    return Angle(np.where(np.isnan(a.deg) | np.isnan(b.deg), np.nan, deg), open_end)


def _turned(turn_deg: int) -> NDArray[np.float64]:
    """Weights on p² of the horizontal slots for listening window and early reflections with the axis at turn_deg.

    Rows: 0.12·LW + 0.44·ER of the horizontal orbit's share, re-centred.
    """
    shift = turn_deg // STEP_DEG
    rows = curveset.IN_ROOM_WEIGHTS["lw"] * curveset.LW_WEIGHTS + curveset.IN_ROOM_WEIGHTS["er"] * curveset.ER_WEIGHTS
    horizontal = np.zeros(PER_ORBIT)
    for i, weight in enumerate(rows[:PER_ORBIT]):
        horizontal[(i + shift) % PER_ORBIT] += weight
    return horizontal


_VERTICAL = (
    curveset.IN_ROOM_WEIGHTS["lw"] * curveset.LW_WEIGHTS + curveset.IN_ROOM_WEIGHTS["er"] * curveset.ER_WEIGHTS
)[PER_ORBIT:]


TURNED = tuple(sorted({s * t for t in TURNS_DEG for s in (1, -1)}))  # −30 … 30


def turned_weights() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(7, 36) weights on p² of the horizontal orbit with the axis at each of TURNED, and (36,) of the vertical orbit, whose curves
    shift by H(t) − H(0)."""
    return np.stack([_turned(t) for t in TURNED]), _VERTICAL


def turned_in_room(power: Array) -> Array:
    """In-room curves in dB (..., 7, 199) with the axis at each of TURNED, from p² (..., 72, 199).

    The horizontal lists are re-centred, the vertical curves shifted by H(t) − H(0), the sound power kept.
    """
    lists, vertical_weights = turned_weights()
    horizontal = curveset.average(power[..., :PER_ORBIT, :], lists)
    vertical = curveset.average(power[..., PER_ORBIT:, :], vertical_weights[None])
    sound_power = curveset.average(power, curveset.SP_WEIGHTS[None])
    axes = power[..., curveset.h(*TURNED), :] / power[..., curveset.ON_AXIS, None, :]
    return np.asarray(
        10.0 * np.log10(horizontal + vertical * axes + curveset.IN_ROOM_WEIGHTS["sp"] * sound_power)
    )


def turning_sensitivity(in_room_db: Array) -> Array:
    """RMS over 300 Hz–10 kHz of the change of the in-room curve as the axis goes to 0, 10, 20, 30° on each side, in dB.

    in_room_db (..., 7, 199) as of `turned_in_room`; each is set to its own mean over 300 Hz–3 kHz; mean of the two sides.
    """
    set_equal = in_room_db - in_room_db[..., REFERENCE].mean(axis=-1, keepdims=True)
    sides = []
    for sign in (1, -1):
        chosen = [TURNED.index(sign * t) for t in TURNS_DEG]
        change = set_equal[..., chosen, :][..., TONE].std(axis=-2)
        sides.append(np.sqrt(np.mean(change**2, axis=-1)))
    return np.asarray((sides[0] + sides[1]) / 2.0)
