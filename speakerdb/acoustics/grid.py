"""The analysis grid: 199 points, 20 per octave, 20.3 Hz to 19.4 kHz, and how a raw curve reaches it
(method:metrics#the-analysis-grid)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

POINTS_PER_OCTAVE = 20
FREQUENCY_HZ: NDArray[np.float64] = 100.0 * 2.0 ** (np.arange(-46, 153) / POINTS_PER_OCTAVE)
LOG2_HZ: NDArray[np.float64] = np.log2(FREQUENCY_HZ)

HALF_CELL_OCT = 1 / 40
WIDEST_GAP_OCT = 0.5
THIRD_OCTAVE_REACH = 3  # grid points on each side of "1/3-octave smoothed"
RESOLUTION_OCTAVES_HZ = 100.0 * 2.0 ** np.arange(6)  # lower edges of the octaves in which raw resolution is counted
_COVERS_UP_TO = 1.13  # an octave counts as covered give or take half a third-octave band at its ends


def band(low_hz: float, high_hz: float) -> slice:
    """The grid points from low_hz to high_hz, ends included."""
    first, last = np.searchsorted(FREQUENCY_HZ, [low_hz * (1 - 1e-9), high_hz * (1 + 1e-9)])
    return slice(int(first), int(last))


def named(of_band: slice) -> tuple[float, float]:
    """The frequencies that a band of the grid is named by: of those that bound just its points, the ones of fewest
    digits."""
    f = FREQUENCY_HZ
    below = f[of_band.start - 1] if of_band.start else f[0] / 2.0 ** (1.0 / POINTS_PER_OCTAVE)
    above = f[of_band.stop] if of_band.stop < len(f) else f[-1] * 2.0 ** (1.0 / POINTS_PER_OCTAVE)
    return _roundest(below, f[of_band.start], up=False), _roundest(f[of_band.stop - 1], above, up=True)


def _roundest(low: float, high: float, *, up: bool) -> float:
    """The number of fewest digits in [low, high), or with up=False in (low, high]."""
    for digits in range(5):
        step = 10.0 ** (np.floor(np.log10(high)) - digits)
        found = np.ceil(low / step - 1e-9) * step if up else np.floor(high / step + 1e-9) * step
        if (found < high * (1 - 1e-9)) if up else (found > low * (1 + 1e-9)):
            return float(found)
    return low if up else high


@dataclass(frozen=True, eq=False)
class Points:
    """Every n-th grid point of a stretch: where curves are looked at whose errors need no finer grid."""

    of_grid: slice

    @cached_property
    def index(self) -> NDArray[np.int64]:
        """(F,) their places on the grid."""
        return np.arange(len(LOG2_HZ))[self.of_grid]

    @cached_property
    def log2_hz(self) -> NDArray[np.float64]:
        """(F,)."""
        return LOG2_HZ[self.of_grid]

    def inside(self, of_band: slice) -> slice:
        """Those of them that lie in a band of the grid."""
        first, last = np.searchsorted(self.index, [of_band.start, of_band.stop])
        return slice(int(first), int(last))


WHOLE = Points(slice(None))


def at_or_below(frequency_hz: float) -> int:
    """Index of the grid point at or below a frequency: 300 Hz gives that of 292.8 Hz."""
    return int(np.searchsorted(FREQUENCY_HZ, frequency_hz * (1 + 1e-9), side="right")) - 1


def to_grid(
    frequency_hz: Floats, level_db: Floats, valid_from_hz: float | None = None, valid_to_hz: float | None = None
) -> NDArray[np.float64]:
    """Raw curves (n, F) over frequency_hz (F,), ascending, as (n, 199) levels in dB, NaN where not measured.

    Where two or more raw points lie within ±1/40 octave of a grid point: the power average over that cell (trapezoid of
    p² over log f, edges interpolated in dB, cut at the ends of the data); elsewhere linear in dB over log f. Gaps wider
    than 1/2 octave stay NaN; nothing is extrapolated. Not rounded.
    """
    inside = (frequency_hz >= (valid_from_hz or 0.0)) & (frequency_hz <= (valid_to_hz or np.inf))
    raw = np.asarray(level_db, np.float64)[:, inside]
    x = np.log2(np.asarray(frequency_hz, np.float64)[inside])
    found = np.full((raw.shape[0], len(FREQUENCY_HZ)), np.nan)
    there = ~np.isnan(raw)
    if there.all():
        patterns, member = np.ones((1, len(x)), bool), np.zeros(len(raw), np.int64)
    else:
        patterns, member = np.unique(there, axis=0, return_inverse=True)
        member = member.reshape(-1)
    for number, pattern in enumerate(patterns):
        rows = member == number
        for piece in np.split(np.flatnonzero(pattern), np.flatnonzero(np.diff(x[pattern]) > WIDEST_GAP_OCT + 1e-9) + 1):
            if len(piece) > 1:
                _fill(found, rows, x[piece], raw[np.ix_(rows, piece)])
    return found


def _fill(
    found: NDArray[np.float64], rows: NDArray[np.bool_], x: NDArray[np.float64], raw: NDArray[np.float64]
) -> None:
    """Write the grid points covered by one unbroken piece of data, x (k,) in octaves, raw (r, k) in dB."""
    first, last = np.searchsorted(LOG2_HZ, [x[0] - 1e-12, x[-1] + 1e-12])
    if first == last:
        return
    at = LOG2_HZ[first:last]
    low, high = np.maximum(at - HALF_CELL_OCT, x[0]), np.minimum(at + HALF_CELL_OCT, x[-1])
    begin, end = np.searchsorted(x, low - 1e-12), np.searchsorted(x, high + 1e-12)
    dense = end - begin >= 2
    level = _interpolated(x, raw, at)
    if dense.any():
        level[:, dense] = _cell_average(x, raw, low[dense], high[dense], begin[dense], end[dense])
    found[np.ix_(rows, np.arange(first, last))] = level


def _interpolated(x: NDArray[np.float64], raw: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    share = np.clip((at - x[i]) / (x[i + 1] - x[i]), 0.0, 1.0)
    return raw[:, i] * (1.0 - share) + raw[:, i + 1] * share


def _cell_average(
    x: NDArray[np.float64],
    raw: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Power average over cells [low, high] that hold the raw points begin … end - 1, in dB."""
    power = 10.0 ** (raw / 10.0)
    edges = 10.0 ** (_interpolated(x, raw, np.concatenate([low, high])) / 10.0)
    at_low, at_high = edges[:, : len(low)], edges[:, len(low) :]
    pieces = 0.5 * (power[:, 1:] + power[:, :-1]) * np.diff(x)
    pieces = np.concatenate([pieces, np.zeros((len(pieces), 1))], axis=1)
    inner = np.add.reduceat(pieces, np.stack([begin, end - 1], axis=1).reshape(-1), axis=1)[:, ::2]
    area = (
        inner
        + 0.5 * (at_low + power[:, begin]) * (x[begin] - low)
        + 0.5 * (power[:, end - 1] + at_high) * (high - x[end - 1])
    )
    average: NDArray[np.float64] = 10.0 * np.log10(area / (high - low))
    return average


def raw_resolution(frequency_hz: Floats) -> float:
    """Raw points per octave: the lowest count in the octaves from 100·2^k Hz (k = 0…5) that the data cover without a
    gap wider than 1/2 octave (what lies in such a gap is not measured at all). 0 where no octave is covered.
    """
    f = np.asarray(frequency_hz, np.float64)
    if len(f) < 2:
        return 0.0
    edges, ends = RESOLUTION_OCTAVES_HZ, _COVERS_UP_TO
    breaks = np.flatnonzero(np.diff(np.log2(f)) > WIDEST_GAP_OCT + 1e-9)
    starts, stops = f[np.append(0, breaks + 1)], f[np.append(breaks, len(f) - 1)]
    covered = ((starts[:, None] <= edges * ends) & (stops[:, None] >= 2 * edges / ends)).any(axis=0)
    if not covered.any():
        return 0.0
    counts = (np.searchsorted(f, 2 * edges * (1 - 1e-9)) - np.searchsorted(f, edges * (1 - 1e-9))).astype(np.float64)
    return float(counts[covered].min())


def smooth_third_octave(power: Floats) -> NDArray[np.float64]:
    """Power (..., 199) averaged over grid points j-3 … j+3, fewer at the ends of the grid and of the data."""
    missing = np.isnan(power)
    if not missing.any():
        return _window_sum(power) / _window_sum(np.ones(power.shape[-1], power.dtype))
    count = np.maximum(_window_sum((~missing).astype(power.dtype)), 1.0)
    return np.where(missing, np.nan, _window_sum(np.where(missing, 0.0, power)) / count)


def _window_sum(values: Floats) -> NDArray[np.float64]:
    """Sum over points j-3 … j+3 of the last axis, as far as it goes: three to the left, three from j on, and j+3."""
    reach, size = THIRD_OCTAVE_REACH, values.shape[-1]
    padded = np.zeros((*values.shape[:-1], size + 2 * reach), values.dtype)
    padded[..., reach:-reach] = values
    pairs = padded[..., :-1] + padded[..., 1:]
    threes = pairs[..., :-1] + padded[..., 2:]
    total = threes[..., :size] + threes[..., 3 : size + 3]
    total += padded[..., 2 * reach :]
    return np.asarray(total)
