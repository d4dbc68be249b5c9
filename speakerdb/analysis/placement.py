"""A speaker at its place in a room, heard at a seat: what the surfaces near it do to its bass, and what another height
or side of the ear does to its sound (method:metrics#placement)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, directivity, grid, images, response, room, roompower
from speakerdb.acoustics.images import Surface

Array = NDArray[np.float64]
Point = tuple[float, float, float]

REFLECTS = (0.8, 0.95)  # of the pressure, by walls and floors (own judgement)
PLACED_M = 0.1  # how well positions are known
DRAWS, TAILS = 400, (5.0, 95.0)
DESK_REFLECTS = 0.9
STANDING_M, SITTING_M = 1.6, 1.0  # of the ear above the floor (own judgement)
ASIDE_M = 1.0  # to each side of the seat, walking about
GAINS_HZ = (31.5, 40.0, 63.0, 100.0)
EVEN_HZ = (40.0, 300.0)  # where surfaces decide
SAME_DB, CLEARLY_DB = 1.0, 2.0  # of what another place of the ear changes (own judgement)
LEANS_DB = 1.0  # of its treble, from which on it is called duller or brighter
FALL_DB = 6.0
ONE_OCT = 1.0  # limits further apart are two: the roll-off, and a dip above it
_FINER, _COARSE = 16, 4  # frequencies a cell of the grid
_FEW = 40  # draws where many places are compared
_SEED = 20260701


@dataclass(frozen=True)
class Place:
    """A room from corner to corner: x along its length, y along its width, z up. at_m: the speaker's acoustic centre,
    which faces the seat; desk: height of that above a desk and how far the desk reaches before it, None: no desk."""

    sides_m: Point
    at_m: Point
    seat_m: Point
    reverberation_s: float
    desk: tuple[float, float] | None = None

    @cached_property
    def firing(self) -> int:
        """The axis, x or y, along which it faces the seat more than along the other."""
        away = [abs(s - a) for a, s in zip(self.at_m[:2], self.seat_m[:2], strict=True)]
        return int(away[1] > away[0])

    @cached_property
    def surfaces(self) -> tuple[Surface, Surface, Surface]:
        """The wall behind, the nearer side wall, the floor."""
        behind, aside = self.firing, 1 - self.firing
        rear = 0.0 if self.seat_m[behind] > self.at_m[behind] else self.sides_m[behind]
        near = 0.0 if self.at_m[aside] <= self.sides_m[aside] / 2.0 else self.sides_m[aside]
        return Surface("wall behind", behind, rear), Surface("side wall", aside, near), Surface("floor", 2, 0.0)

    @property
    def distances_m(self) -> tuple[float, ...]:
        """From the speaker to each of the surfaces."""
        return tuple(abs(self.at_m[s.axis] - s.at_m) for s in self.surfaces)

    def at_wall(self, distance_m: float) -> Place:
        """The same so far from the wall behind."""
        wall = self.surfaces[0]
        sign = 1.0 if wall.at_m == 0.0 else -1.0
        at = list(self.at_m)
        at[wall.axis] = wall.at_m + sign * distance_m
        return replace(self, at_m=(at[0], at[1], at[2]))

    @property
    def across_m(self) -> float:
        """From the speaker to the seat, on the floor."""
        return math.hypot(self.seat_m[0] - self.at_m[0], self.seat_m[1] - self.at_m[1])

    @property
    def desk_is_hit(self) -> bool:
        """Whether the bounce from the desk reaches the ear: it leaves the desk where the way over the mirror image
        crosses it."""
        if self.desk is None:
            return False
        height, depth = self.desk
        ear = self.seat_m[2] - self.at_m[2] + height
        return ear > 0.0 and self.across_m * height / (height + ear) <= depth

    @cached_property
    def statistical_from_hz(self) -> float:
        """Below it the room answers in single modes."""
        return room.statistical_from_hz(math.prod(self.sides_m), self.reverberation_s)

    @cached_property
    def room_constant_m2(self) -> float:
        return room.room_constant_m2(math.prod(self.sides_m), self.reverberation_s, room.box_surface_m2(*self.sides_m))


@dataclass(frozen=True, eq=False)
class AtSeat:
    """low_db, high_db (B, F) levels at the seat re their mean over 300 Hz–3 kHz: of the images alone, and of a room
    that carries the bass best; alike above `statistical_from_hz`."""

    low_db: Array
    high_db: Array

    def span(self) -> tuple[Array, Array]:
        """(F,), (F,) between which it lies in 90 of 100 draws."""
        return np.percentile(self.low_db, TAILS[0], axis=0), np.percentile(self.high_db, TAILS[1], axis=0)

    def smoothed(self) -> AtSeat:
        """1/3-octave smoothed, as bass is told."""
        low, high = (
            curveset.level_of(grid.smooth_third_octave(curveset.power_of(one))) for one in (self.low_db, self.high_db)
        )
        return AtSeat(low, high)


def at_seat(level_db: Array, place: Place, *, draws: int = DRAWS, finer: int = _FINER) -> AtSeat:
    """Levels (72, 199) of a speaker on both orbits, at a seat, over positions and surfaces as they may be."""
    rng = np.random.Generator(np.random.Philox(_SEED))
    moved = rng.uniform(-PLACED_M, PLACED_M, (draws, 2, 3))
    reflects = rng.uniform(*REFLECTS, draws)
    sides = np.array(place.sides_m)
    at, seat = (
        np.clip(np.array(p) + moved[:, i], 0.01, sides - 0.01) for i, p in enumerate((place.at_m, place.seat_m))
    )
    ways, share = images.ways(at, seat, place.surfaces), images.shares(reflects, len(place.surfaces))
    plain = images.ways(np.array(place.at_m), np.array(place.seat_m), place.surfaces)
    if place.desk_is_hit and place.desk is not None:
        more = [
            _over_desk(a, s, place.desk[0]) for a, s in ((at, seat), (np.array(place.at_m), np.array(place.seat_m)))
        ]
        ways, plain = (np.concatenate([w, m[..., None, :]], axis=-2) for w, m in zip((ways, plain), more, strict=True))
        share = np.concatenate([share, np.full((draws, 1), DESK_REFLECTS)], axis=-1)
    amplitude = np.sqrt(_radiated(level_db, plain, place))
    steps = 2.0 ** (((np.arange(finer) + 0.5) / finer - 0.5) / grid.POINTS_PER_OCTAVE)
    f = np.multiply.outer(grid.FREQUENCY_HZ, steps).reshape(-1)
    direct = (
        images.seat_power(f, ways, share, np.repeat(amplitude, finer, axis=1)).reshape(draws, -1, finer).mean(axis=2)
    )
    away = np.stack([np.abs(at[:, s.axis] - s.at_m) for s in place.surfaces], axis=1)
    power = curveset.power_of(roompower.room_power(level_db)) * 16.0 * np.pi / place.room_constant_m2
    whole = direct + power * np.maximum(images.power_gain(grid.FREQUENCY_HZ, away, reflects), 0.0)
    low = np.where(place.statistical_from_hz > grid.FREQUENCY_HZ, direct, whole)
    low_db, high_db = curveset.level_of(low), curveset.level_of(whole)
    return AtSeat(low_db - _reference(high_db), high_db - _reference(high_db))


def _reference(level_db: Array) -> Array:
    return np.asarray(level_db[:, response.REFERENCE].mean(axis=1, keepdims=True))


def _over_desk(at: Array, seat: Array, height_m: float) -> Array:
    """(..., 3) to the ear's image in a desk that lies so far below the speaker."""
    ear = seat.copy()
    ear[..., 2] = 2.0 * (at[..., 2] - height_m) - seat[..., 2]
    return np.asarray(ear - at)


def _radiated(level_db: Array, ways_m: Array, place: Place) -> Array:
    """(I, F) p² at 1 m along each way (I, 3), the speaker level and turned to the seat."""
    front = np.array([place.seat_m[0] - place.at_m[0], place.seat_m[1] - place.at_m[1], 0.0])
    front = front / np.linalg.norm(front)
    left = np.array([-front[1], front[0], 0.0])
    unit = ways_m / np.linalg.norm(ways_m, axis=1, keepdims=True)
    x, y, z = unit @ front, unit @ left, unit[:, 2]
    every = roompower.power_between(level_db, roompower.quarter(x, np.abs(y), np.abs(z)))
    return np.asarray(every[(y < 0).astype(int), (z < 0).astype(int), np.arange(len(unit))])


@dataclass(frozen=True)
class Limit:
    """The −6 dB limit at the seat, Hz: between the ends of what it can be; at_most: not reached within what was
    measured. other_hz: where a dip further up would be the limit in other_share of the draws; None: in none."""

    hz: float
    low_hz: float
    high_hz: float
    at_most: bool
    other_hz: float | None
    other_share: float | None


def limit(found: AtSeat) -> Limit | None:
    """Of smoothed levels; None where there is none."""
    ends = [response.bass_limit(one, np.full(len(one), -FALL_DB)) for one in (found.high_db, found.low_db)]
    hz = np.stack([e.hz for e in ends])
    if np.isnan(hz).mean() > 0.5:
        return None
    roll_off = float(np.nanpercentile(hz[0], 50.0, method="lower"))  # where the room carries the bass: seldom a dip
    near = np.where(np.abs(np.log2(hz / roll_off)) < ONE_OCT, hz, np.nan)
    dips = hz[hz >= roll_off * 2.0**ONE_OCT]
    low = float(np.nanpercentile(near[0], TAILS[0]))
    high = float(np.nanpercentile(near if np.isnan(near[1]).all() else near[1], TAILS[1]))
    at_most = bool(ends[0].at_most.mean() > 0.5)
    other = (float(np.median(dips)), len(dips) / hz.size) if len(dips) else (None, None)
    return Limit(float(np.nanmedian(near)), low, high, at_most, *other)


def unevenness(found: AtSeat, from_hz: float) -> float:
    """RMS in dB, between from_hz and 300 Hz, of what lies half way between both ends of smoothed levels, re the level
    over 300 Hz–3 kHz: dips and boom alike."""
    band = grid.band(max(from_hz, EVEN_HZ[0]), EVEN_HZ[1])
    middle = (found.low_db[:, band] + found.high_db[:, band]).mean(axis=0) / 2.0
    return float(np.sqrt(np.mean(middle**2)))


def unevenness_at(level_db: Array, place: Place, from_hz: float) -> float:
    """The same at a place, from few draws."""
    return unevenness(at_seat(level_db, place, draws=_FEW, finer=_COARSE).smoothed(), from_hz)


@dataclass(frozen=True)
class Elsewhere:
    """What another place of the ear changes: RMS about its mean (300 Hz–10 kHz), of the treble (4–16 kHz re 300 Hz–3
    kHz), and its deepest point, in dB; and in a word."""

    angle_deg: float
    rms_db: float
    treble_db: float
    deepest_db: float
    deepest_hz: float

    @property
    def size(self) -> Literal["the same", "slightly", "clearly"]:
        return "the same" if self.rms_db < SAME_DB else "slightly" if self.rms_db <= CLEARLY_DB else "clearly"

    @property
    def word(self) -> Literal["the same", "duller", "brighter", "hollow"]:
        if self.rms_db < SAME_DB:
            return "the same"
        if abs(self.treble_db) < LEANS_DB or -self.deepest_db > 2.0 * abs(self.treble_db):
            return "hollow"
        return "duller" if self.treble_db < 0.0 else "brighter"


def elsewhere(level_db: Array, sides: tuple[str, str], angles_deg: tuple[float, float]) -> Elsewhere:
    """Of levels (72, 199) at the second angle of each pair, re those at the first: sides of directivity.SIDES."""
    here, there = (directivity.level_at(level_db, s, a) for s, a in zip(sides, angles_deg, strict=True))
    change = there - here
    level = change[directivity.TONE].mean()
    about = change - level
    band = about[directivity.TONE]
    at = int(band.argmin())
    return Elsewhere(
        angles_deg[1],
        float(np.sqrt(np.mean(band**2))),
        float(change[response.TREBLE].mean() - change[response.REFERENCE].mean()),
        float(band[at]),
        float(grid.FREQUENCY_HZ[directivity.TONE][at]),
    )


def up_or_down(place: Place, ear_m: float) -> tuple[str, float]:
    """Side and angle at which an ear so far above the floor sees the speaker."""
    angle = math.degrees(math.atan2(ear_m - place.at_m[2], place.across_m))
    return "up" if angle >= 0 else "down", abs(angle)


def gains_db(found: AtSeat, on_axis_db: Array) -> list[tuple[float, float, float]]:
    """(frequency, low, high): what the place adds to the bass of smoothed levels, both re 300 Hz–3 kHz."""
    free = curveset.level_of(grid.smooth_third_octave(curveset.power_of(on_axis_db)))
    free = free - free[response.REFERENCE].mean()
    low, high = found.span()
    told = []
    for f in GAINS_HZ:
        ends = (float(np.interp(np.log2(f), grid.LOG2_HZ, one - free)) for one in (low, high))
        told.append((f, *ends))
    return [(f, low_, high_) for f, low_, high_ in told]


def best_distance(
    level_db: Array, place: Place, distances_m: Sequence[float], from_hz: float
) -> tuple[float, list[float]]:
    """The distance from the wall behind at which the bass is most even, and how even it is at each, in dB."""
    uneven = [unevenness_at(level_db, place.at_wall(d), from_hz) for d in distances_m]
    return distances_m[int(np.argmin(uneven))], uneven
