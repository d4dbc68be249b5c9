"""Find speakers for my room: a question in one sentence, answered while one types."""

from __future__ import annotations

from speakerdb.declare import typed
from speakerdb.errors import RequestError
from speakerdb.questions.documents import Document
from speakerdb.questions.shortlist import Shortlist
from speakerdb.report.example_rooms import ROOMS
from speakerdb.terms import KINDS
from speakerdb.web.parameters import LIMITS, Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.words import room_words

SHOWN, MISSES_SHOWN = 30, 12
# What stands in the sentence before anything is typed
EXAMPLE = {"distance": "3", "volume": "60", "level": "95"}
_SIDES = ("height_max", "width_max", "depth_max", "mass_max")
PROGRAMMES = (("dynamic", "dynamic recordings"), ("dense", "dense recordings"))
SPECTRA = (("programme", "music"), ("pink", "pink noise"))
# Peaks at the seat (own judgement)
LOUD = (
    ("75", "in the background (peaks of 75 dB)"),
    ("85", "while talking (peaks of 85 dB)"),
    ("95", "loud (peaks of 95 dB)"),
    ("105", "as in a concert (peaks of 105 dB)"),
)
CEILING_M = 2.5  # over a floor of which only the area is given
AT_WORK = (("no", "a pair"), ("yes", "one speaker"))


def examples() -> list[tuple[str, dict[str, str]]]:
    """Ordinary rooms, by name, as the address asks them."""
    return [
        (name, {"distance": typed(q.distance_m), "volume": typed(q.volume_m3), "level": typed(q.level_db)})
        for name, q in ROOMS
    ]


def room(desk: Desk, ask: Ask) -> View:
    """The page: the sentence, and the answer below it. `_room_answer.html` alone is the answer without the page."""
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    example = not ask.given()
    if example:
        ask = Ask.of(EXAMPLE)
    floor_m2 = ask.number("floor", 1.0, 1000.0)
    if floor_m2 is not None and not ask.any("volume", "dimensions"):
        ask = Ask.of({**ask.given(), "volume": typed(round(floor_m2 * CEILING_M, 1))})
    content = {
        "ask": ask,
        "example": example,
        "kinds": KINDS,
        "currencies": currencies,
        "programmes": PROGRAMMES,
        "at_work": AT_WORK,
        "spectra": SPECTRA,
        "sides": [limit for limit in LIMITS if limit[0] in _SIDES],
        "found": None,
        "problem": "",
        "examples": examples(),
    }
    if not (ask.text("distance") and ask.text("level") and ask.any("volume", "dimensions")):
        return View(
            "room.html",
            content | {"problem": "Say how far away you sit, how large the room is and how loud it should be"},
        )
    asked = ask.read(Shortlist, top=SHOWN, **({"volume": None} if ask.text("dimensions") else {}))
    if asked is None or ask.problems:
        return View("room.html", content)
    try:
        content["found"] = _answer(desk, asked)
    except RequestError as error:
        content["problem"] = error.message
    return View("room.html", content)


def _answer(desk: Desk, asked: Shortlist) -> Document:
    """The answer as a document, with the words that stand beside it."""
    answer = desk.answer(asked).found
    question, found = answer.question, desk.document(asked)
    return found | {
        "headline": room_words.headline(question, answer.seat, answer.currency),
        "basis": room_words.basis(question, answer.seat, answer.price_kind),
        "currency": answer.currency,
        "near_misses": found["near_misses"][:MISSES_SHOWN],
    }
