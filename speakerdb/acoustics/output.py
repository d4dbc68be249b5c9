"""How loud and how clean (method:metrics#output-and-distortion): distortion, compression, clean, maximum and balance
level, usable output.

A sweep's drive is the on-axis 300 Hz–3 kHz mean level at 1 m that would be there without compression. Drives (..., k)
rise; levels stand in (..., k, 199). Distortion is in dB re the fundamental: 3 % = −30.5 dB, 10 % = −20 dB. Leading
dimensions are sessions or draws. NaN is not measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, grid, programme
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, EXACT, Bounded
from speakerdb.acoustics.curveset import level_of, power_of
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.subwoofer import REFERENCE

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

LEVEL_BAND = grid.band(300.0, 3000.0)
BASS_BAND, MID_BAND = grid.band(50.0, 100.0), grid.band(200.0, 5000.0)
MULTITONE_BAND = grid.band(100.0, 10000.0)
CLEAN_BASS_PERCENT, CLEAN_PERCENT = 10.0, 3.0  # common practice, no source
CLEAN_BASS_TO_HZ = 100.0
LOSS_DB = 3.0
REFERENCE_SLOPE = 0.03  # dB of loss per dB of drive above which the lowest drives were not linear (own judgement)

SWEPT_WORDS = {
    "thd": "total harmonic distortion",
    "multitone": "multitone distortion",
    "multitone_hp80": "multitone distortion above 80 Hz",
    "compression": "compression",
}


def percent_to_db(percent: float) -> float:
    """Distortion in percent as dB re the fundamental: 10 % is −20 dB."""
    return float(20.0 * np.log10(percent / 100.0))


def smoothed_db(level_db: Floats) -> Array:
    """1/3-octave smoothed levels (..., 199): power average."""
    return level_of(grid.smooth_third_octave(power_of(level_db)))


# along the drives


def rises_past(drive_db: Floats, value: Floats, limit: Floats | float) -> Bounded:
    """The drive at which value (..., k, F) rises past limit, linear between drives: (..., F).

    Start at the lowest drive at or below the limit; the first upward crossing after it. None at or below: at most the
    lowest drive measured; never above: at least the highest. Drives without a value are skipped.
    """
    shape = (*value.shape[:-2], value.shape[-1])
    missing = np.isnan(value)
    gaps = missing.any()
    started, done = np.zeros(shape, bool), np.zeros(shape, bool)
    found, lowest, highest, before_x, before_y = (np.full(shape, np.nan, value.dtype) for _ in range(5))
    for i in range(value.shape[-2]):
        x, y = np.broadcast_to(drive_db[..., i, None].astype(value.dtype), shape), value[..., i, :]
        crosses = started & ~done & (y > limit)
        if crosses.any():
            with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
                at = before_x + (limit - before_y) / (y - before_y) * (x - before_x)
            found = np.where(crosses, at, found)
            done |= crosses
        started |= y <= limit
        if gaps:
            there = ~missing[..., i, :]
            lowest = np.where(np.isnan(lowest) & there, x, lowest)
            x, y = np.where(there, x, highest), np.where(there, y, before_y)
        elif i == 0:
            lowest = x
        before_x, before_y, highest = x, y, x
    code = np.where(done, EXACT, np.where(started, AT_LEAST, np.where(np.isnan(lowest), EXACT, AT_MOST)))
    return Bounded(np.where(done, found, np.where(started, highest, lowest)), code.astype(np.int8))


def along_drive(drive_db: Floats, value: Floats, at_db: Floats) -> Array:
    """value (..., k, F) at the drives at_db (..., F), linear in between; that of the lowest or highest drive beyond the
    ends."""
    found = np.broadcast_to(value[..., 0, :], np.broadcast_shapes(value[..., 0, :].shape, at_db.shape)).copy()
    for i in range(value.shape[-2] - 1):
        low, high = drive_db[..., i, None], drive_db[..., i + 1, None]
        share = np.clip((at_db - low) / (high - low), 0.0, 1.0)
        between = value[..., i, :] * (1.0 - share) + value[..., i + 1, :] * share
        found = np.where(share > 0, np.where(share < 1, between, value[..., i + 1, :]), found)
    return np.where(np.isnan(at_db), np.nan, found)


# distortion


def distortion_at(drive_db: Floats, distortion_db: Floats, at_db: Floats | float, *, beyond_db: float = 0.0) -> Array:
    """Distortion (..., F) at the drive at_db (...), linear in dB between the two measured drives around it; NaN
    outside.

    beyond_db: how far the outermost lines may be prolonged (for drives whose own level is uncertain).
    """
    at = np.asarray(at_db, np.float64)[..., None]
    shape = np.broadcast_shapes(at.shape, (*distortion_db.shape[:-2], distortion_db.shape[-1]))
    found = np.full(shape, np.nan)
    count = distortion_db.shape[-2]
    for i in range(count):
        exactly = np.abs(at - drive_db[..., i, None]) < 1e-6
        if exactly.any():
            found = np.where(exactly, distortion_db[..., i, :], found)
    for i in range(count - 1):
        low, high = drive_db[..., i, None], drive_db[..., i + 1, None]
        inside = (at > low - (beyond_db if i == 0 else 0.0)) & (at < high + (beyond_db if i == count - 2 else 0.0))
        if not inside.any():
            continue
        share = (at - low) / (high - low)
        between = distortion_db[..., i, :] * (1.0 - share) + distortion_db[..., i + 1, :] * share
        found = np.where(inside & np.isnan(found), between, found)
    return found


def rms_percent(distortion_db: Floats, band: slice) -> Array:
    """Root mean square of the ratio over the band's grid points, in percent: (..., 199) -> (...)."""
    return np.asarray(100.0 * np.sqrt(np.mean(power_of(distortion_db[..., band]), axis=-1, dtype=np.float64)))


@dataclass(frozen=True, eq=False)
class Distortion:
    """drive_db (..., k); level_db (..., k, F) at the points, smoothed_db the same 1/3-octave smoothed."""

    drive_db: Floats
    level_db: Floats
    smoothed_db: Floats
    points: Points = grid.WHOLE


def distortion(drive_db: Floats, level_db: Floats) -> Distortion:
    """From levels re the fundamental (..., k, 199)."""
    return Distortion(drive_db, level_db, smoothed_db(level_db))


def clean_level(d: Distortion, limit_percent: float, band: slice) -> Bounded:
    """The highest drive (...) at which 1/3-octave smoothed distortion stays within the limit everywhere in the band."""
    smooth = d.smoothed_db[..., d.points.inside(band)]
    return bounds.lowest(rises_past(d.drive_db, smooth, percent_to_db(limit_percent)))


def noise_limited(d: Distortion, limit_percent: float, band: slice) -> Flags:
    """(...): somewhere in the band the lowest drive shows more than the limit and a higher one no more: noise, not
    distortion."""
    smooth, limit = d.smoothed_db[..., d.points.inside(band)], percent_to_db(limit_percent)
    above, within = smooth[..., 0, :] > limit, (smooth[..., 1:, :] <= limit).any(axis=-2)
    return np.asarray((above & within).any(axis=-1))


# compression


@dataclass(frozen=True, eq=False)
class Compression:
    """The change of level re the lowest drive, minus the difference of the drives: smoothed_db (..., k, F) 1/3-octave
    smoothed (power average) at the points, ≤ 0 when it compresses; loss_db (..., k): −its mean over 300 Hz–3 kHz."""

    drive_db: Floats
    smoothed_db: Floats
    loss_db: Floats
    points: Points = grid.WHOLE

    @property
    def linear(self) -> Flags:
        """(...): the loss rises by no more than 0.03 dB per dB between the two lowest drives, so that the lowest is a
        reference."""
        slope = (self.loss_db[..., 1] - self.loss_db[..., 0]) / (self.drive_db[..., 1] - self.drive_db[..., 0])
        return np.asarray(slope <= REFERENCE_SLOPE + 1e-9)


def compression(drive_db: Floats, level_db: Floats, subwoofer: Flags | bool = False) -> Compression:
    """From on-axis levels (..., k, 199) at rising drives (..., k), at least two. subwoofer (...): whose drives and loss
    refer to their own band."""
    driven = (drive_db - drive_db[..., :1])[..., None].astype(level_db.dtype)
    change = level_db - level_db[..., :1, :] - driven
    whole, deep = (-change[..., band].mean(axis=-1, dtype=np.float64) for band in (LEVEL_BAND, REFERENCE))
    loss = np.where(np.asarray(subwoofer)[..., None], deep, whole)
    return Compression(drive_db, smoothed_db(change), loss)


def _only_at_most(found: Bounded, where: Flags) -> Bounded:
    """Where the truth can only be lower (the reference compressed already, so the true loss is greater; or a part of
    the band was not measured), what was reached is at most that, and what was not is unknown."""
    value = np.where(where & (found.code == AT_LEAST), np.nan, found.value)
    code = np.where(where, np.where(np.isnan(value), EXACT, AT_MOST), found.code)
    return Bounded(value, code.astype(np.int8))


@dataclass(frozen=True, eq=False)
class MaxLevel:
    """level: delivered where the loss reaches 3 dB; low_db, high_db (...): delivered at the two drives around it, NaN
    where that is not an exact value."""

    level: Bounded
    low_db: Array
    high_db: Array


def max_level(c: Compression) -> MaxLevel:
    """Delivered level (...) at 3 dB compression; never reached: at least what the highest drive delivered."""
    reached = rises_past(c.drive_db, c.loss_db[..., None], LOSS_DB)[..., 0]
    delivered = c.drive_db - c.loss_db
    highest = along_drive(c.drive_db, delivered[..., None], reached.value[..., None])[..., 0]
    level = Bounded(np.where(reached.code == EXACT, reached.value - LOSS_DB, highest), reached.code)
    level = _only_at_most(level, ~c.linear)
    drive = np.broadcast_to(c.drive_db, c.loss_db.shape)
    under = drive <= reached.value[..., None]
    sure = (level.code == EXACT) & ~np.isnan(level.value)
    a = np.where(under, delivered, -np.inf).max(axis=-1)
    above = np.argmin(under, axis=-1)[..., None]
    b = np.take_along_axis(delivered, above, axis=-1)[..., 0]
    low, high = np.minimum(np.minimum(a, b), level.value), np.maximum(np.maximum(a, b), level.value)
    return MaxLevel(level, np.where(sure, low, np.nan), np.where(sure, high, np.nan))


def within_bracket(level_db: Array, low_db: Array, high_db: Array, side: Array, share: Array) -> Array:
    """Where between the two drives around it 3 dB are lost is not measured: a level (...) may be anywhere between what
    both delivered (method:metrics#maximum-level). The way to one such place, even on either side of it, with weights
    that leave its mean; 0 for bounds. side, share (...): in [0, 1), which side and how far along it."""
    down, up = np.nan_to_num(low_db - level_db), np.nan_to_num(high_db - level_db)
    with np.errstate(invalid="ignore"):
        falls = side < np.nan_to_num(up / (up - down))
    return np.asarray(np.where(falls, down, up) * share)


# both together


@dataclass(frozen=True, eq=False)
class Strain:
    """Compression and distortion by its kind ('thd', 'multitone', 'multitone_hp80'). points: those of the grid at which
    compression and total harmonic distortion stand."""

    compression: Compression | None
    distortion: Mapping[str, Distortion]
    points: Points = grid.WHOLE

    def at(self, points: Points, multitone_points: Points) -> Strain:
        """What stands on the whole grid, at some of its points."""
        c, fewer = self.compression, {}
        for kind, d in self.distortion.items():
            mine = points if kind == "thd" else multitone_points
            at = mine.of_grid
            fewer[kind] = Distortion(d.drive_db, d.level_db[..., at], d.smoothed_db[..., at], mine)
        at = points.of_grid
        return Strain(
            None if c is None else Compression(c.drive_db, c.smoothed_db[..., at], c.loss_db, points), fewer, points
        )


@dataclass(frozen=True, eq=False)
class Usable:
    """Level that is delivered at 1 m at the limit of what can be used, per frequency: low_db, high_db (..., F) the ends
    of what is known of it, infinite where open; cause (..., F): what sets the lower end, a code into programme.CAUSES,
    −1 where nothing does."""

    low_db: Array
    high_db: Array
    cause: NDArray[np.int8]

    def __getitem__(self, key: Any) -> Usable:
        return Usable(self.low_db[key], self.high_db[key], self.cause[key])

    def moved(self, shift: Array | float) -> Usable:
        """By something exact; by NaN nothing is known any more."""
        unknown = np.isnan(shift)
        low = np.where(unknown, -np.inf, self.low_db + shift)
        return Usable(low, np.where(unknown, np.inf, self.high_db + shift), np.where(unknown, -1, self.cause))

    def only(self, where: Flags) -> Usable:
        """Nothing known elsewhere."""
        return self.moved(np.where(where, 0.0, np.nan))


def _drive_ends(found: Bounded, only_at_most: Flags | bool = False) -> tuple[Array, Array]:
    """(..., F), (..., F) between which drives a limit lies; open where nothing was measured. only_at_most: it may lie
    anywhere lower (a reference that compressed already makes the loss look smaller than it is)."""
    unknown = np.isnan(found.value) | (only_at_most & (found.code == AT_LEAST))
    low = np.where(unknown | only_at_most | (found.code == AT_MOST), -np.inf, found.value)
    return low, np.where(unknown | (found.code == AT_LEAST), np.inf, found.value)


def usable_output(c: Compression | None, d: Distortion | None, shape: tuple[int, ...]) -> Usable:
    """Level delivered at the lower of the drive of 3 dB compression and the drive of the distortion limit (10 % up to
    100 Hz, 3 % above), the response apart: what is added to it. Where only one of them was measured, that one tells;
    where neither, nothing is known. d: total harmonic distortion, at the points of c; shape: (..., F).
    """
    parts: list[tuple[Bounded, int, Flags | bool]] = []
    if c is not None:
        found = rises_past(c.drive_db, -c.smoothed_db, LOSS_DB)
        parts.append((found, programme.COMPRESSION, ~c.linear[..., None]))
    if d is not None:
        found = rises_past(d.drive_db, d.smoothed_db, _LIMITS_DB[d.points.of_grid])
        parts.append((found, programme.DISTORTION, False))
    low, high = np.full((1, *shape), np.inf), np.full((1, *shape), np.inf)
    cause = np.full((1, *shape), -1, np.int8)
    if parts:
        ends = [_drive_ends(found, only_at_most) for found, _, only_at_most in parts]
        low, high = (np.stack([np.broadcast_to(e[side], shape) for e in ends]) for side in (0, 1))
        each = [np.where(found.code == AT_LEAST, programme.SWEEP_ENDED, code) for found, code, _ in parts]
        cause = np.stack([np.broadcast_to(one, shape) for one in each])
    else:
        low = -low
    # of a limit that is only known from above, the part that is known sets it
    which = np.where(np.isneginf(low.min(axis=0)), high.argmin(axis=0), low.argmin(axis=0))
    low_drive, high_drive = low.min(axis=0), high.min(axis=0)
    known = np.isfinite(low_drive) | np.isfinite(high_drive)
    cause = np.where(known, np.take_along_axis(cause, which[None], axis=0)[0], -1).astype(np.int8)
    return Usable(_delivered(c, low_drive), _delivered(c, high_drive), cause)


def _delivered(c: Compression | None, drive_db: Array) -> Array:
    """What comes of a drive (..., F), less what compression takes; beyond the drives measured no more than at their
    end."""
    if c is None:
        return drive_db
    finite = np.where(np.isfinite(drive_db), drive_db, np.nan)
    return np.where(np.isfinite(drive_db), drive_db - along_drive(c.drive_db, -c.smoothed_db, finite), drive_db)


_LIMITS_DB = np.where(
    grid.FREQUENCY_HZ <= CLEAN_BASS_TO_HZ * (1 + 1e-9), percent_to_db(CLEAN_BASS_PERCENT), percent_to_db(CLEAN_PERCENT)
).astype(np.float32)  # single precision stays single


def around(frequency_hz: float) -> slice:
    """The grid points whose levels `at_frequency` takes: the two around, or the one there."""
    i = grid.at_or_below(frequency_hz)
    return slice(i, i + (1 if abs(grid.FREQUENCY_HZ[i] / frequency_hz - 1.0) < 1e-9 else 2))


def at_frequency(output: Usable, frequency_hz: float, points: Points = grid.WHOLE) -> Bounded:
    """Usable output (..., F) at a frequency between the points, linear in dB over log f."""
    x = np.log2(frequency_hz)
    i = int(np.clip(np.searchsorted(points.log2_hz, x + 1e-9, side="right") - 1, 0, len(points.log2_hz) - 2))
    share = float(grid.POINTS_PER_OCTAVE * (x - points.log2_hz[i])) / int(points.index[i + 1] - points.index[i])
    share = min(max(share, 0.0), 1.0)
    low, high = (bounds.mixed(end[..., i], end[..., i + 1], share) for end in (output.low_db, output.high_db))
    return bounds.from_ends(low, high)
