"""Metrics of a response curve (method:metrics#response): all take curves (..., 199) in dB and give one number for
each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

REFERENCE = grid.band(300.0, 3000.0)
BASS_MEAN = grid.band(300.0, 10000.0)
SHAPE = grid.band(100.0, 10000.0)
IN_ROOM = grid.band(100.0, 16000.0)
BASS, TREBLE = grid.band(60.0, 200.0), grid.band(4000.0, 16000.0)
NBD = grid.band(100.0, 12000.0)
NBD_POINTS = 10  # half an octave (Olive 2004)
RUN_POINTS = 7  # shorter dips are no bass limit (own definition)
START = grid.at_or_below(300.0)
ANGLE_TOLERANCE_DB = 0.02

# S. E. Olive, AES Convention Paper 6190, 2004, part II (coefficients from memory)
PREFERENCE_CONSTANT, PREFERENCE_ON_AXIS, PREFERENCE_IN_ROOM = 12.69, -2.49, -2.99
PREFERENCE_BASS, PREFERENCE_SMOOTHNESS = -4.31, 2.32
IDEAL_SUBWOOFER_HZ = 20.0  # own convention


def mean(curve: Floats, band: slice) -> Array:
    """Arithmetic mean of dB over the band's grid points."""
    return np.asarray(np.mean(curve[..., band], axis=-1))


def deviation(curve: Array, band: slice = SHAPE) -> Array:
    """Standard deviation about the mean over the band."""
    return np.asarray(np.std(curve[..., band], axis=-1))


def half_range(curve: Array, band: slice = SHAPE) -> Array:
    """(max − min)/2 over the band."""
    return np.asarray(np.ptp(curve[..., band], axis=-1) / 2.0)


def narrow_band_deviation(curve: Floats) -> Array:
    """Mean over half-octave bands, 100 Hz–12 kHz, of the mean absolute deviation from the band's mean (Olive 2004)."""
    part = curve[..., NBD]
    whole = part.shape[-1] // NBD_POINTS * NBD_POINTS
    bands = part[..., :whole].reshape(*part.shape[:-1], -1, NBD_POINTS)
    each = np.abs(bands - bands.mean(axis=-1, keepdims=True)).mean(axis=-1)
    rest = part[..., whole:]
    last = np.abs(rest - rest.mean(axis=-1, keepdims=True)).mean(axis=-1, keepdims=True)
    return np.asarray(np.concatenate([each, last], axis=-1).mean(axis=-1))


@dataclass(frozen=True, eq=False)
class Line:
    """Least-squares line over log2 f: slope per octave, r² (0 for a constant curve), standard deviation about it."""

    slope_per_octave: Array
    r_squared: Array
    ripple: Array


def line(curve: Array, band: slice, log2_hz: Array = grid.LOG2_HZ) -> Line:
    """Fit the line over the band's points, on the grid or at log2_hz; curve in dB or any unit."""
    x = log2_hz[band] - log2_hz[band].mean()
    y = curve[..., band]
    centred = y - y.mean(axis=-1, keepdims=True)
    sxx = float(x @ x)
    slope = centred @ x / sxx
    total = np.sum(centred**2, axis=-1)
    rest = np.maximum(total - slope**2 * sxx, 0.0)
    flat = total <= 1e-18 * x.size
    r_squared = np.where(flat, 0.0, 1.0 - rest / np.where(flat, 1.0, total))
    return Line(slope, np.where(np.isnan(total), np.nan, r_squared), np.sqrt(rest / x.size))


@dataclass(frozen=True, eq=False)
class BassLimit:
    """hz (...): the limit, NaN where withheld; at_most (...): the response does not fall so far within what was
    measured."""

    hz: Array
    at_most: NDArray[np.bool_]


def bass_limit(curve: Array, threshold_db: Array, start_at: int = START) -> BassLimit:
    """Where a curve (..., 199) falls below threshold_db (...) for good, walking down from a grid point, 300 Hz by
    default (method:metrics#lf-extension).

    A run of points below the threshold counts when it reaches the end of the measured run or has 7 points or more. The
    limit is the crossing at the run's upper edge, linear in dB over log f. No such run: the lowest measured frequency.
    """
    rows = curve.reshape(-1, curve.shape[-1])
    thr = np.broadcast_to(threshold_db, curve.shape[:-1]).reshape(-1)
    # the start, or the first point above it that is not below; nothing above that counts
    fit = rows[:, start_at:] >= thr[:, None]
    start = start_at + np.argmax(fit, axis=1)
    rows = rows[:, : start.max() + 1]
    n, size = rows.shape
    index = np.arange(size)
    missing = np.isnan(rows)
    usable = fit.any(axis=1) & ~missing[:, start_at] & ~np.isnan(thr)
    below = (rows < thr[:, None]) & (index < start[:, None])
    # the measured run's lower end: one above the highest gap below it
    gap = missing & (index < start_at)
    end = np.where(gap.any(axis=1), size - np.argmax(gap[:, ::-1], axis=1), 0)
    # below the end everything counts as below, so that a run that reaches it is long enough
    run = np.concatenate([np.ones((n, RUN_POINTS), bool), below | (index < end[:, None])], axis=1)
    whole = np.cumsum(run, axis=1)
    full = np.concatenate(
        [whole[:, RUN_POINTS - 1 : RUN_POINTS], whole[:, RUN_POINTS:] - whole[:, :-RUN_POINTS]], axis=1
    )
    edge = full.shape[1] - 1 - np.argmax((full == RUN_POINTS)[:, ::-1], axis=1) - 1  # upper edge of the run, grid index
    at_most = edge < end
    i = np.clip(edge, 0, size - 2)
    r = np.arange(n)
    low, high = rows[r, i], rows[r, i + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (thr - low) / (high - low)
    log2_hz = np.where(
        at_most, grid.LOG2_HZ[np.minimum(end, size - 1)], grid.LOG2_HZ[i] + share / grid.POINTS_PER_OCTAVE
    )
    hz = 2.0 ** np.where(usable, log2_hz, np.nan)
    shape = curve.shape[:-1]
    return BassLimit(hz.reshape(shape), (at_most & usable).reshape(shape))


def treble_limit(curve: Array, threshold_db: Array, start_at: int) -> BassLimit:
    """The same walking up from a grid point: where the curve ends towards high frequencies; at_most then means at
    least."""
    last = curve.shape[-1] - 1
    mirrored = bass_limit(curve[..., ::-1], threshold_db, last - start_at)
    middle = grid.FREQUENCY_HZ[0] * grid.FREQUENCY_HZ[-1]
    return BassLimit(middle / mirrored.hz, mirrored.at_most)


def rolloff(upper_hz: Array, lower_hz: Array, fall_db: float) -> Array:
    """Slope (...) in dB per octave between two limits of the same curve that lie fall_db apart."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(fall_db / np.log2(upper_hz / lower_hz))


def preference(nbd_on_axis: Array, nbd_in_room: Array, bass_hz: Array | float, smoothness: Array) -> Array:
    """Predicted preference in points (Olive 2004, coefficients from memory); bass_hz is the sound power's −6 dB
    limit."""
    return (
        PREFERENCE_CONSTANT
        + PREFERENCE_ON_AXIS * nbd_on_axis
        + PREFERENCE_IN_ROOM * nbd_in_room
        + PREFERENCE_BASS * np.log10(bass_hz)
        + PREFERENCE_SMOOTHNESS * smoothness
    )


def axis_deviations(left: Floats, right: Floats) -> tuple[Array, Array]:
    """(..., 4), (..., 4): at 0, 10, 20, 30° narrow-band deviation and treble balance (mean 4–16 kHz re 300 Hz–3 kHz),
    both averaged over both sides. left and right (..., 4, 199): the horizontal curves at 0, ±10, ±20, ±30."""
    deviation = (narrow_band_deviation(left) + narrow_band_deviation(right)) / 2.0
    treble = (mean(left, TREBLE) - mean(left, REFERENCE) + mean(right, TREBLE) - mean(right, REFERENCE)) / 2.0
    return deviation, treble


def best_listening_angle(deviation: Array, treble: Array) -> tuple[Array, Array, Array]:
    """Of 0, 10, 20, 30° the smallest whose narrow-band deviation (..., 4) is within 0.02 dB of the lowest.

    Gives the angle in degrees, the gain over 0 in dB, and the change of treble balance (..., 4) from the axis to that
    angle.
    """
    lowest = deviation.min(axis=-1, keepdims=True)
    choice = np.argmax(deviation <= lowest + ANGLE_TOLERANCE_DB, axis=-1)[..., None]
    gain = np.maximum(deviation[..., 0] - np.take_along_axis(deviation, choice, -1)[..., 0], 0.0)
    change = np.take_along_axis(treble, choice, -1)[..., 0] - treble[..., 0]
    unknown = np.isnan(lowest[..., 0])
    return np.where(unknown, np.nan, choice[..., 0] * 10.0), np.where(unknown, np.nan, gain), change
