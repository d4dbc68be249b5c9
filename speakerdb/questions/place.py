"""Where to put a speaker: what walls, floor and seat do to it."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, AskError, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Exact, Setting, Speaker, sides_of
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.placement import Elsewhere
    from speakerdb.answering.placing import Asked, Placed


class CurveRow(Row):
    """Level at the seat at one frequency, re its mean over 300 Hz–3 kHz: between both it lies in 90 of 100 cases."""

    frequency_hz: float
    low_db: float | None
    high_db: float | None


class AtSeat(Row):
    """A limit at the seat; null where there is none."""

    value: float | None
    unit: Literal["Hz"]
    low: float | None
    high: float | None
    censored: Censoring
    status: Literal["ok", "withheld"]
    reason: str | None
    other_value: Annotated[float | None, Told("where a dip further up would be the limit")]
    other_share: Annotated[float | None, Told("in what share of cases it is")]


class Gain(Row):
    """What the place adds to the bass, both re 300 Hz–3 kHz."""

    frequency_hz: float
    low_db: float
    high_db: float


class Dip(Row):
    """The first dip that a surface makes by itself."""

    surface: str
    frequency_hz: float


class Ear(Row):
    """What another place of the ear changes of the direct sound."""

    angle_deg: float
    rms_db: Annotated[float, Told("about its mean, 300 Hz–10 kHz")]
    treble_db: Annotated[float, Told("4–16 kHz re 300 Hz–3 kHz")]
    deepest_db: float
    deepest_hz: float
    size: Literal["the same", "slightly", "clearly"]
    word: Literal["the same", "duller", "brighter", "hollow"]


class ModeRow(Row):
    """A mode of the empty room."""

    frequency_hz: float
    order: Annotated[list[int], Told("half waves along length, width and height")]
    kind: Literal["axial", "tangential"]


class Distance(Row):
    """How even the bass is at a distance from the wall behind."""

    wall_m: float
    uneven_db: Annotated[float, Told("RMS from the bass limit or 40 Hz to 300 Hz, dips and boom alike")]


class Suited(Row):
    """How even the bass is in a setting; null with the reason where that is not known."""

    setting: str
    uneven_db: float | None
    reason: str | None


class Assumed(Row):
    """What the answer rests on."""

    sides_m: list[float]
    at_m: list[float]
    seat_m: list[float]
    distance_m: float
    reverberation_s: float
    reverberation_assumed: bool
    statistical_from_hz: float
    wall_behind_m: float
    side_wall_m: float
    floor_m: float


class Advice(Row):
    """Where it would stand best, of the distances from the wall behind that were tried."""

    from_m: float
    to_m: float
    best_m: float
    best_uneven_db: float
    here_m: float
    here_uneven_db: float
    best_setting: Annotated[str | None, Told("of its settings, here; null where it was measured in one only")]


@dataclass(eq=False, repr=False)
class Placement(Answer):
    """What a place does to a speaker at a seat: the curve between its ends, the bass limit, what is gained and lost,
    where it would stand better, and what another place of the ear changes. In Python `rows` holds the curve."""

    speaker: str
    setting: str
    assumptions: Annotated[dict[str, Any], Shape(Assumed)]
    curve: Annotated[list[Any], Shape(list[CurveRow], in_rows=True)]
    f6_hz: Annotated[dict[str, Any], Shape(AtSeat)]
    gains: Annotated[list[Any], Shape(list[Gain])]
    dips: Annotated[list[Any], Shape(list[Dip])]
    advice: Annotated[dict[str, Any], Shape(Advice)]
    distances: Annotated[list[Any], Shape(list[Distance])]
    settings: Annotated[list[Any], Shape(list[Suited])]
    standing: Annotated[dict[str, Any], Shape(Ear)]
    walking: Annotated[list[Any], Shape(list[Ear]), Told("a step to each side: to the speaker's left, to its right")]
    modes: Annotated[list[Any], Shape(list[ModeRow])]
    cautions: list[str]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)
    placed: Placed = dataclasses.field(metadata=INNER)

    @property
    def limit(self) -> dict[str, Any]:
        return self.f6_hz


@dataclass(frozen=True, repr=False)
class Place(Question[Placement]):
    """See what walls and seat do to a speaker, and where it suits."""

    name = "place"
    address = "/speakers/{speaker}/place"
    example = {"speaker": "sill-5", "room": "5x4x2.5", "at": "0.6,1.1,0.9", "seat": "3.1,1.9"}

    speaker: Speaker
    room: Annotated[str, Ask("Length, width and height of the room in metres: 5.2x4.1x2.5.", "The room's sides", "m")]
    at: Annotated[
        str,
        Ask("Its acoustic centre: along length, width (and height) from a corner: 0.6,1.1,0.9.", "Stands at", "m"),
    ]
    seat: Annotated[str, Ask("The ear, the same way: 3.1,1.9 (1 m high unless said).", "The ear at", "m")]
    setting: Setting = None
    reverberation: Annotated[
        float | None, Ask("Reverberation time, seconds. Default: 0.4, assumed.", "Reverberation", "s", above=0, most=20)
    ] = None
    wall_from: Annotated[
        float | None, Ask("Nearest it may stand to the wall behind, metres.", "Wall from", "m", above=0, most=20)
    ] = None
    wall_to: Annotated[
        float | None, Ask("Farthest it may stand from the wall behind, metres.", "Wall to", "m", above=0, most=20)
    ] = None
    desk: Annotated[
        float | None, Ask("Height of its axis above a desk it stands on, metres.", "Above a desk", "m", above=0, most=2)
    ] = None
    desk_depth: Annotated[
        float, Ask("How far that desk reaches before it, metres.", "Desk's reach", "m", above=0, most=5)
    ] = 0.6
    exact: Exact = False

    def check(self) -> None:
        sides_of("room", self.room)
        _point("at", self.at)
        _point("seat", self.seat)

    def asked(self) -> Asked:
        """The question in numbers."""
        from speakerdb.answering.placing import Asked

        desk = None if self.desk is None else (self.desk, self.desk_depth)
        return Asked(
            sides_of("room", self.room),
            _point("at", self.at),
            _point("seat", self.seat),
            self.reverberation,
            (self.wall_from, self.wall_to),
            desk,
        )

    def answer(self, base: Base) -> Placement:
        from speakerdb.answering import placing

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        setting, asked = base.setting(slug, self.setting), self.asked()
        found = placing.place(base.store, speaker_id, slug, setting, asked)
        rows, p = placing.curve(found), found.place
        behind, aside, floor = p.distances_m
        return Placement(
            slug,
            setting,
            {
                "sides_m": list(p.sides_m),
                "at_m": list(p.at_m),
                "seat_m": list(p.seat_m),
                "distance_m": p.across_m,
                "reverberation_s": p.reverberation_s,
                "reverberation_assumed": asked.reverberation_s is None,
                "statistical_from_hz": p.statistical_from_hz,
                "wall_behind_m": behind,
                "side_wall_m": aside,
                "floor_m": floor,
            },
            rows.to_dicts(),
            _limit(found),
            placing.gains(found),
            placing.dips(found),
            {
                "from_m": found.distances_m[0],
                "to_m": found.distances_m[-1],
                "best_m": found.best_m,
                "best_uneven_db": min(found.uneven_db),
                "here_m": behind,
                "here_uneven_db": found.uneven_here_db,
                "best_setting": found.best_setting,
            },
            [{"wall_m": d, "uneven_db": u} for d, u in zip(found.distances_m, found.uneven_db, strict=True)],
            [dataclasses.asdict(one) for one in found.settings],
            _ear(found.standing),
            [_ear(one) for one in found.walking],
            [{"frequency_hz": m.frequency_hz, "order": list(m.order), "kind": m.kind} for m in found.modes],
            placing.cautions(found, asked),
            rows,
            found,
        )


def _limit(found: Placed) -> dict[str, Any]:
    one = found.limit
    if one is None:
        reason = "the level at the seat lies more than 6 dB below that over 300 Hz–3 kHz throughout"
        return dict.fromkeys(("value", "low", "high", "other_value", "other_share")) | {
            "unit": "Hz",
            "censored": "none",
            "status": "withheld",
            "reason": reason,
        }
    return {
        "value": one.hz,
        "unit": "Hz",
        "low": None if one.at_most else one.low_hz,
        "high": one.high_hz,
        "censored": "at_most" if one.at_most else "none",
        "status": "ok",
        "reason": None,
        "other_value": one.other_hz,
        "other_share": one.other_share,
    }


def _ear(one: Elsewhere) -> dict[str, Any]:
    return dataclasses.asdict(one) | {"size": one.size, "word": one.word}


def _point(field: str, text: str) -> tuple[float, float, float | None]:
    """Two or three coordinates. Raises AskError."""
    try:
        found = [float(one) for one in re.split(r"[,;\s]+", text.strip())]
    except ValueError:
        found = []
    if not (len(found) in {2, 3} and all(0.0 < x <= 100.0 for x in found)):
        expected = "expected two or three lengths in metres from a corner of the room, above 0, e.g. 0.6,1.1,0.9"
        raise AskError(field, f"{field}: {text!r}; {expected}")
    return found[0], found[1], found[2] if len(found) == 3 else None
