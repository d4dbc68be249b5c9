"""What fits my room: a question in one sentence, answered while one types."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl

from speakerdb.errors import RequestError
from speakerdb.library import Database, Question, Selection
from speakerdb.report.example_rooms import ROOMS
from speakerdb.session import KINDS
from speakerdb.web.parameters import LIMITS, Ask, selection
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.relations import MOST_NAMED
from speakerdb.words import documents, room_words
from speakerdb.words.documents import Document

SHOWN, MISSES_SHOWN = 30, 12
# What stands in the sentence before anything is typed
EXAMPLE = {"distance": "3", "volume": "60", "level": "95"}
_SIDES = ("height_max", "width_max", "depth_max", "mass_max")
PROGRAMMES = (("dynamic", "dynamic recordings"), ("dense", "dense recordings"))
AT_WORK = (("pair", "a pair"), ("one", "one speaker"))


def examples() -> list[tuple[str, dict[str, str]]]:
    """Ordinary rooms, by name, as the address asks them."""
    return [
        (name, {"distance": f"{q.distance_m:g}", "volume": f"{q.volume_m3:g}", "level": f"{q.level_db:g}"})
        for name, q in ROOMS
    ]


def room(desk: Desk, ask: Ask) -> View:
    """The page: the sentence, and the answer below it. `_room_answer.html` alone is the answer without the page."""
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    example = not ask.given()
    if example:
        ask = Ask.of(EXAMPLE)
    whom = selection(ask, currencies)
    content = {
        "ask": ask, "example": example, "kinds": KINDS, "currencies": currencies, "programmes": PROGRAMMES,
        "at_work": AT_WORK, "sides": [limit for limit in LIMITS if limit[0] in _SIDES], "found": None, "problem": "", "examples": examples(),
    }  # fmt: skip
    question = _question(ask)
    if isinstance(question, str):
        return View("room.html", {**content, "problem": question})
    if ask.problems:
        return View("room.html", content)
    try:
        content["found"] = desk.ask(("room", question, whom), lambda base: _answer(base, question, whom))
    except RequestError as error:
        content["problem"] = error.message
    return View("room.html", content)


def _question(ask: Ask) -> Question | str:
    """The question, or what keeps it from being asked."""
    distance = ask.number("distance", 0.0, 100.0)
    level = ask.number("level", 0.0, 200.0)
    volume, sides = ask.number("volume", 0.0, 1e5), _dimensions(ask)
    given = {
        "reverberation_s": ask.number("reverberation", 0.0, 20.0), "amplifier_w": ask.number("amplifier", 0.0, 1e5),
        "wall_distance_m": ask.number("wall", 0.0, 20.0), "f6_hz": ask.number("bass", 0.0, 1000.0),
        "subwoofer_hz": ask.number("subwoofer", 0.0, 1000.0), "budget": ask.number("budget"),
    }  # fmt: skip
    programme = ask.choice("programme", [value for value, _ in PROGRAMMES])
    single = ask.choice("speakers", [value for value, _ in AT_WORK]) == "one"
    standing = ask.flag("standing")
    if ask.problems:
        return ""
    if distance is None or level is None or (volume is None and sides is None):
        return "Say how far away you sit, how large the room is and how loud it should be"
    try:
        return Question(
            distance, level, None if sides else volume, sides, programme="dense" if programme == "dense" else "dynamic",
            single=single, standing=standing, **given,
        )  # fmt: skip
    except RequestError as error:
        return error.message


def _dimensions(ask: Ask) -> tuple[float, float, float] | None:
    text = ask.text("dimensions")
    if text is None:
        return None
    try:
        length, width, height = (float(part) for part in re.split(r"[x×*]", text.replace(",", ".").replace(" ", "")))
    except ValueError:
        ask.problems["dimensions"] = "expected length × width × height in metres, e.g. 5.2 × 4.1 × 2.5"
        return None
    return length, width, height


def _answer(base: Database, question: Question, whom: Selection) -> Document:
    """The answer as a document, cut to what a page shows, with the words that stand beside it."""
    answer = base.shortlist(question, selection=whom, most=max(SHOWN, MISSES_SHOWN))
    found = answer.found
    near = found.near_misses.head(MISSES_SHOWN)
    cut = replace(
        found,
        rows=found.rows.head(SHOWN),
        near_misses=near,
        fails=found.fails.filter(pl.col("key").is_in(near["key"].implode())),
        not_judged=found.not_judged.head(MOST_NAMED),
        too_far=found.too_far.head(0),
    )
    return {
        **documents.shortlist(base.state, replace(answer, found=cut)),
        "headline": room_words.headline(question, answer.seat, answer.currency),
        "basis": room_words.basis(question, answer.seat, answer.price_kind),
        "currency": answer.currency,
        "total": len(found.rows), "near_total": len(found.near_misses), "too_far_total": len(found.too_far),
        "not_judged_total": len(found.not_judged),
    }  # fmt: skip
