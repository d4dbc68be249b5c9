"""A speaker at its place, as an answer: what the surfaces near it do, where it would stand better, which setting suits,
and what one hears standing up or walking about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import curveset, grid, images, room
from speakerdb.acoustics.room import Mode
from speakerdb.analysis import placement
from speakerdb.analysis.placement import AtSeat, Elsewhere, Limit, Place, Point
from speakerdb.analysis.question import ASSUMED_REVERBERATION_S
from speakerdb.answering import stored
from speakerdb.answering.facts import Facts, facts_of
from speakerdb.declare import AskError
from speakerdb.errors import RequestError
from speakerdb.field.radiation import radiation
from speakerdb.metrics.response_rows import F6
from speakerdb.store import Store, values

Array = NDArray[np.float64]

AXIS_OF_HEIGHT = 0.85  # of a floorstander's height: where it radiates from, where nothing is said (own judgement)
AXIS_M = 1.0  # of others: on stands at the height of the ear
NEAREST_M, FARTHEST_M, STEP_M = 0.2, 1.2, 0.05  # from the wall behind, where nothing else is asked
MODES_UP_TO_HZ = 200.0
UNPLUG = (
    "It is powered: unplug it before you move it, and leave mains wiring to a licensed electrician; follow local codes."
)


@dataclass(frozen=True)
class Asked:
    """What was asked: the room, the speaker and the seat, z None where it was left out."""

    sides_m: Point
    at_m: tuple[float, float, float | None]
    seat_m: tuple[float, float, float | None]
    reverberation_s: float | None
    wall_m: tuple[float | None, float | None]
    desk: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class Suits:
    """How even the bass is in a setting; reason: why it is not known."""

    setting: str
    uneven_db: float | None
    reason: str | None


@dataclass(frozen=True, eq=False)
class Placed:
    """The whole answer. distances_m and uneven_db: how even the bass is at each distance from the wall behind."""

    place: Place
    level_db: Array
    found: AtSeat
    limit: Limit | None
    distances_m: list[float]
    uneven_db: list[float]
    uneven_here_db: float
    settings: list[Suits]
    standing: Elsewhere
    walking: list[Elsewhere]
    modes: list[Mode]
    facts: Facts

    @property
    def best_m(self) -> float:
        return self.distances_m[int(np.argmin(self.uneven_db))]

    @property
    def best_setting(self) -> str | None:
        known = [one for one in self.settings if one.uneven_db is not None]
        return min(known, key=lambda one: one.uneven_db or 0.0).setting if len(known) > 1 else None


def place(store: Store, speaker_id: int, slug: str, setting: str, asked: Asked) -> Placed:
    """Work it out. Raises AskError where the place can't be, RequestError where directions are not known."""
    facts = facts_of(store, speaker_id)
    where = _place(facts, asked)
    level = _radiation(store, speaker_id, slug, setting)
    found = placement.at_seat(level, where)
    smoothed, from_hz = found.smoothed(), _limit_hz(store, speaker_id, setting)
    distances = _distances(facts, where, asked)
    _, uneven = placement.best_distance(level, where, distances, from_hz)
    suits = []
    for name in stored.settings_of(store, speaker_id):
        try:
            curves = level if name == setting else _radiation(store, speaker_id, slug, name)
        except RequestError as error:
            suits.append(Suits(name, None, error.message))
            continue
        start = _limit_hz(store, speaker_id, name)
        suits.append(Suits(name, placement.unevenness_at(curves, where, start), None))
    ear = where.seat_m[2]
    stood = ear - placement.SITTING_M + placement.STANDING_M
    sitting, standing = (placement.up_or_down(where, z) for z in (ear, stood))
    aside = float(np.degrees(np.arctan2(placement.ASIDE_M, where.across_m)))
    return Placed(
        where,
        level,
        found,
        placement.limit(smoothed),
        distances,
        uneven,
        placement.unevenness_at(level, where, from_hz),
        suits,
        placement.elsewhere(level, (sitting[0], standing[0]), (sitting[1], standing[1])),
        [placement.elsewhere(level, (side, side), (0.0, aside)) for side in ("left", "right")],
        room.modes(where.sides_m, MODES_UP_TO_HZ),
        facts,
    )


def _radiation(store: Store, speaker_id: int, slug: str, setting: str) -> Array:
    try:
        return radiation(store, speaker_id, setting)
    except RequestError as error:
        raise RequestError(f"where to put {slug} in its setting {setting} can't be told: {error.message}") from None


def _limit_hz(store: Store, speaker_id: int, setting: str) -> float:
    """The −6 dB limit in free field; the lowest frequency where it is not known."""
    rows = values.shown_pooled(store.con, speaker_id, [setting]).filter(pl.col("metric") == F6.id)
    value = rows["value"][0] if len(rows) else None
    return float(grid.FREQUENCY_HZ[0]) if value is None else float(value)


def _place(facts: Facts, asked: Asked) -> Place:
    height = facts.values["height_mm"]
    stands = facts.values["kind"] == "floorstander" and height is not None
    z = asked.at_m[2]
    if z is None:
        z = AXIS_OF_HEIGHT * height / 1000.0 if stands else AXIS_M
    ear = placement.SITTING_M if asked.seat_m[2] is None else asked.seat_m[2]
    where = Place(
        asked.sides_m,
        (asked.at_m[0], asked.at_m[1], z),
        (asked.seat_m[0], asked.seat_m[1], ear),
        asked.reverberation_s or ASSUMED_REVERBERATION_S,
        asked.desk,
    )
    for field, point in (("at", where.at_m), ("seat", where.seat_m)):
        if not all(0.0 < x < side for x, side in zip(point, where.sides_m, strict=True)):
            raise AskError(
                field,
                f"{field}: {_point(point)} m lies outside the room; expected x, y and z above 0 and below "
                f"{_point(where.sides_m)} m",
            )
    m = figures.plain
    if asked.desk is not None and asked.desk[0] >= z:
        raise AskError("desk", f"desk: {m(asked.desk[0])} m below an axis at {m(z)} m is below the floor")
    if where.across_m < LEAST_ACROSS_M:
        raise AskError(
            "seat", f"seat: {m(where.across_m, 2)} m from the speaker; expected at least {m(LEAST_ACROSS_M)} m"
        )
    for surface, distance in zip(where.surfaces[:2], where.distances_m[:2], strict=True):
        least = _half_mm(facts, surface is where.surfaces[0])
        if least is not None and 1000.0 * distance < least:
            raise AskError(
                "at",
                f"at: the {surface.name} is {figures.plain(distance)} m away, inside the cabinet; expected at least "
                f"half of it, {figures.plain(least / 1000.0, 3)} m",
            )
    return where


LEAST_ACROSS_M = 0.2


def _half_mm(facts: Facts, behind: bool) -> float | None:
    size = facts.values["depth_mm" if behind else "width_mm"]
    return None if size is None else float(size) / 2.0


def _point(point: Sequence[float]) -> str:
    return ", ".join(figures.plain(x, 3) for x in point)


def _distances(facts: Facts, where: Place, asked: Asked) -> list[float]:
    """The distances from the wall behind that are tried: as asked, else from half the cabinet to 1.2 m, always before
    the seat."""
    half = (_half_mm(facts, True) or 0.0) / 1000.0
    first, last = asked.wall_m
    first = max(half, NEAREST_M) if first is None else first
    axis, wall = where.firing, where.surfaces[0].at_m
    reach = abs(where.seat_m[axis] - wall) - LEAST_ACROSS_M
    last = min(max(FARTHEST_M, first + STEP_M), reach) if last is None else last
    m = figures.plain
    if first < half:
        raise AskError(
            "wall_from", f"wall_from: {m(first)} m is inside the cabinet; expected at least half of it, {m(half, 3)} m"
        )
    if last > reach:
        raise AskError("wall_to", f"wall_to: {m(last)} m reaches the seat; expected at most {m(reach, 3)} m")
    if last < first:
        raise AskError("wall_to", f"wall_to: {m(last)} m is nearer than where the range begins, {m(first)} m")
    count = int(np.floor((last - first) / STEP_M + 1e-9)) + 1
    return [round(first + STEP_M * i, 3) for i in range(min(count, MOST_DISTANCES))]


MOST_DISTANCES = 60


def curve(answer: Placed) -> pl.DataFrame:
    """frequency_hz, low_db, high_db."""
    low, high = answer.found.span()
    return pl.DataFrame({"frequency_hz": grid.FREQUENCY_HZ.round(2), "low_db": low, "high_db": high}).fill_nan(None)


def gains(answer: Placed) -> list[dict[str, float]]:
    """What the place adds at low frequencies."""
    axis = answer.level_db[curveset.ON_AXIS]
    found = placement.gains_db(answer.found.smoothed(), axis)
    return [{"frequency_hz": f, "low_db": low, "high_db": high} for f, low, high in found]


def dips(answer: Placed) -> list[dict[str, Any]]:
    """The first dip that each surface makes by itself."""
    found, p = [], answer.place
    for surface in p.surfaces:
        way = images.ways(np.array(p.at_m), np.array(p.seat_m), (surface,))
        found.append({"surface": surface.name, "frequency_hz": images.first_dip_hz(way[1], way[0])})
    return found


def sentence(one: Elsewhere, what: str) -> str:
    """What another place of the ear changes, in words."""
    angle = figures.joined(figures.number(one.angle_deg), "°")
    if one.size == "the same":
        return f"{what} ({angle}): the same ({figures.number(one.rms_db, 1)} dB)."
    hole = f"; {figures.DB.text(one.deepest_db)} at {figures.hertz(one.deepest_hz)}"
    return f"{what} ({angle}): {one.size} {one.word} ({figures.number(one.rms_db, 1)} dB{hole})."


def cautions(answer: Placed, asked: Asked) -> list[str]:
    """What has to be said beside it."""
    low, high = placement.REFLECTS
    said = [
        f"The wall behind, the nearer side wall and the floor are taken to reflect {figures.percent(low)} to "
        f"{figures.percent(high)} of the pressure, positions to be good to {figures.plain(100.0 * placement.PLACED_M)} "
        "cm, and the speaker to face the seat; the other walls and furniture add their own.",
        f"Below {figures.number(answer.place.statistical_from_hz)} Hz the room answers in single modes: the bass lies "
        "anywhere between the near surfaces alone and a room that carries it best. It is told re the level over 300 "
        "Hz–3 kHz at the seat.",
    ]
    if asked.reverberation_s is None:
        said.append(f"The reverberation time is assumed: {figures.plain(ASSUMED_REVERBERATION_S)} s.")
    if asked.at_m[2] is None:
        said.append(f"The height of its axis is assumed: {figures.plain(answer.place.at_m[2], 2)} m.")
    unknown = [n for n in ("width_mm", "depth_mm") if answer.facts.values[n] is None]
    if unknown:
        said.append("Its size is not known: whether it fits before the walls was not judged.")
    if asked.desk is not None and not answer.place.desk_is_hit:
        said.append("The bounce misses the desk: it is not counted.")
    if answer.facts.values["powered"]:
        said.append(UNPLUG)
    return [*said, *(f"{one}." for one in answer.facts.cautions())]
