"""The rooms a speaker suits: four ordinary rooms asked of the same shortlist that the buyer's command asks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.acoustics import programme
from speakerdb.analysis import seat
from speakerdb.analysis.question import Question
from speakerdb.answering.room_cautions import exposure_sentence
from speakerdb.answering.shortlisting import bands_of, shortlist
from speakerdb.charts.output_chart import Demand
from speakerdb.errors import RequestError
from speakerdb.field.selection import Selection
from speakerdb.terms import ONE_AT_A_TIME
from speakerdb.words.room_words import CANT_BE_TOLD, chance_text, limited_text

if TYPE_CHECKING:
    from speakerdb.library import Database

# name, question: distances, volumes and peak levels are own judgement (a pair, furnished, nothing else asked)
ROOMS: tuple[tuple[str, Question], ...] = (
    ("A desk", Question(distance_m=0.9, level_db=96.0, volume_m3=25.0)),
    ("A small room", Question(distance_m=2.0, level_db=99.0, volume_m3=35.0)),
    ("A living room", Question(distance_m=3.0, level_db=102.0, volume_m3=60.0)),
    ("A large room", Question(distance_m=4.0, level_db=105.0, volume_m3=120.0)),
)
SURE, UNLIKELY = 0.95, 0.05
CLOSE = 0.3  # ends of a chance no further apart are told by their middle (own judgement)
LIKELY = (
    (0.8, "very likely enough"),
    (0.6, "likely enough"),
    (0.4, "an even chance"),
    (0.0, "likely too much to ask"),
)  # own judgement


@dataclass(frozen=True)
class RoomRow:
    """One room: what is asked, what the speaker gives there, and the verdict in words."""

    name: str
    asked: str
    level: str
    verdict: str
    suits: bool | None


@dataclass(frozen=True)
class Rooms:
    """All rooms, the listening limits for their levels, and the cautions."""

    rows: list[RoomRow]
    exposure: list[str]
    cautions: list[str]
    demands: list[Demand]


def rooms(base: Database, slug: str, setting: str, *, is_default: bool) -> Rooms:
    """What the speaker gives in each of ROOMS; nothing of a subwoofer. The cautions are those that the shortlist itself
    prints."""
    from speakerdb.report.frames import row_of

    if base.field.base["kind"][row_of(base, slug, setting)] == "subwoofer":
        return Rooms([], [], [], [])
    rows: list[RoomRow] = []
    said: dict[str, bool] = {}
    alone = base.of([base.find(slug, exact=True)[0]])
    for name, question in ROOMS:
        answer = shortlist(alone, question, Selection(all_settings=not is_default))
        rows.append(_row(name, question, answer.found, slug, setting))
        said |= {s: True for s in answer.cautions if s.startswith(("The room model", "NIOSH"))}
    highest = ROOMS[-1][1]
    hours = {name: float(h[0]) for name, h in seat.hours(np.array([highest.level_db])).items()}
    exposure = [exposure_sentence(highest.level_db, hours, p) for p in ("dynamic", "dense")]
    return Rooms(rows, exposure, list(said), demands(base, slug, setting))


def _row(name: str, q: Question, found: Any, slug: str, setting: str) -> RoomRow:
    asked = (
        f"{figures.plain(q.distance_m)} m away in {figures.plain(q.room_volume_m3)} m³, peaks of "
        f"{figures.plain(q.level_db)} dB"
    )
    for frame in (found.rows, found.near_misses, found.too_far, found.not_judged):
        mine = frame.filter((pl.col("speaker") == slug) & (pl.col("setting") == setting))
        if len(mine):
            return _judged(name, asked, mine.row(0, named=True))
    return RoomRow(name, asked, "–", "not judged", None)


def _judged(name: str, asked: str, r: dict[str, Any]) -> RoomRow:
    alone = "" if r["pair"] else " (one speaker)"
    if r["level_at_seat_db"] is None or r.get("reason"):
        level = "–" if r["level_at_seat_db"] is None else _level(r) + alone
        return RoomRow(name, asked, level, f"not judged: {r.get('reason') or 'its level is unknown'}", None)
    low, high = r["p_meets_low"], r["p_meets_high"]
    margin = abs(r["margin_db"])
    if low is not None and low >= SURE:
        return RoomRow(
            name, asked, _level(r) + alone, f"suits, about {figures.number(margin)} dB of headroom{_limited(r)}", True
        )
    if high is not None and high <= UNLIKELY:
        return RoomRow(
            name,
            asked,
            _level(r) + alone,
            f"too much to ask: about {figures.number(margin)} dB short{_limited(r)}",
            False,
        )
    side = "of headroom" if r["margin_db"] >= 0 else "short"
    return RoomRow(
        name,
        asked,
        _level(r) + alone,
        f"{_likely(low, high)}: about {figures.number(margin)} dB {side}{_limited(r)}",
        None,
    )


def _limited(r: dict[str, Any]) -> str:
    words = limited_text(r["limited_by"], r["limited_at_hz"])
    return f", limited by {words}" if words and r["limited_at_hz"] is not None else ""


def _likely(low: float | None, high: float | None) -> str:
    """'very likely enough (93 %)'; "can't be told" where an open figure leaves the chance open."""
    if low is None or high is None:
        return "chance not worked out"
    if high - low > CLOSE:
        return f"{CANT_BE_TOLD} ({chance_text(low, high)})" if chance_text(low, high) != CANT_BE_TOLD else CANT_BE_TOLD
    middle = (low + high) / 2.0
    return f"{next(words for least, words in LIKELY if middle >= least)} ({chance_text(low, high)})"


def _level(r: dict[str, Any]) -> str:
    return figures.DB.told(r["level_at_seat_db"], r["level_low_db"], r["level_high_db"], r["censored"])


def demands(base: Database, slug: str, setting: str) -> list[Demand]:
    """What music asks of one speaker at 1 m per third octave: as loud as it can play, and in two of the rooms; nothing
    of a subwoofer."""
    from speakerdb.report.frames import output_ends, row_of

    kind = base.field.base["kind"][row_of(base, slug, setting)]
    if kind == "subwoofer":
        return []
    asked = programme.asked_db(programme.SPECTRA["programme"])
    within = np.isfinite(asked)
    found = []
    try:
        low, high = output_ends(base, slug, setting)
        loudest = float(programme.level_db(asked, np.where(np.isfinite(low), low, high)))
    except RequestError:
        loudest = np.inf
    if np.isfinite(loudest):
        label = f"Music at its loudest, {figures.DB.text(loudest)}"
        found.append(Demand(label, tuple(programme.BANDS_HZ[within]), tuple((asked + loudest)[within])))
    of = bands_of(base.field, np.array([row_of(base, slug, setting)]))
    if np.isnan(of.di_db).all():
        return found
    alone = kind in ONE_AT_A_TIME
    for name, question in (ROOMS[1], ROOMS[3]):
        gain = seat.band_gain_db(seat.sit(question), of.di_db, np.array([not alone]))[0]
        label = f"{name}, {figures.plain(question.level_db)} dB at {figures.plain(question.distance_m)} m"
        level = (asked + question.level_db - gain)[within]
        found.append(Demand(label, tuple(programme.BANDS_HZ[within]), tuple(level)))
    return found
