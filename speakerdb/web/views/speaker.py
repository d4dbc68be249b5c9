"""One speaker, and where one of its values comes from."""

from __future__ import annotations

from speakerdb.analysis.nearness import WORDS
from speakerdb.answering.standing import VERDICT
from speakerdb.errors import RequestError
from speakerdb.metric import Curve
from speakerdb.metrics import METRICS
from speakerdb.metrics.directivity_rows import BEAMWIDTHS, TONE
from speakerdb.metrics.output_rows import PROGRAMME
from speakerdb.questions.claim import Claim
from speakerdb.questions.documents import Document
from speakerdb.questions.explain import Explain
from speakerdb.questions.match import Match
from speakerdb.questions.settings import Settings
from speakerdb.questions.show import Show
from speakerdb.store.session_rows import held
from speakerdb.terms import TARGETS
from speakerdb.web import asides, chart_tables
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.field_view import GROUPS
from speakerdb.words import settings_words as words

RELATIVES = 8

# Pictures of the page: section, then (name, what it shows, caption, whether its numbers have a page of their own)
_SECTIONS: tuple[tuple[str, tuple[tuple[str, str, str, bool], ...]], ...] = (
    (
        "Place in the field",
        (
            (
                "place",
                "A strip per metric with the peers as ticks and this speaker as a mark with its interval",
                "Each strip runs from the worst to the best of its peers; the words beside it say which "
                "places it can have.",
                True,
            ),
        ),
    ),
    (
        "Response",
        (
            (
                "curves",
                "Curve set: on axis, listening window, early reflections, predicted in-room, sound power, "
                "and directivity indices",
                "The curve set, pooled over the sessions of this setting.",
                True,
            ),
            ("angles", "Response at 0, 10, 20 and 30 degrees", "Off the axis, the mean of both sides.", True),
        ),
    ),
    (
        "Where the sound goes",
        (
            (
                "map-horizontal",
                "Map of level over frequency and horizontal angle",
                "Horizontal, relative to the axis; the line is the −6 dB edge.",
                True,
            ),
            (
                "map-vertical",
                "Map of level over frequency and vertical angle",
                "Vertical, relative to the axis; the line is the −6 dB edge.",
                True,
            ),
            ("beamwidth", "Full −6 dB angle over frequency in both planes", "Beamwidth in both planes.", True),
            (
                "tone",
                "Two fans that show how far to the sides, up and down the tone holds",
                "How far off the axis the tone holds; the pale rim is the interval. The angles stand among "
                "the values below.",
                False,
            ),
        ),
    ),
    (
        "How loud, and what it costs",
        (
            (
                "distortion",
                "Total harmonic distortion over frequency, a line per drive",
                "Distortion per drive, with the limits of the clean levels.",
                True,
            ),
            (
                "compression",
                "Change of level over frequency against the lowest drive, a line per drive",
                "Compression per drive; 0 would be none.",
                True,
            ),
            (
                "output",
                "What it can do per third octave, and what music asks of it",
                "What it can do per third octave, and what music asks of it at its loudest and in two rooms.",
                False,
            ),
            (
                "impedance",
                "Magnitude and phase of the impedance over frequency",
                "What the amplifier sees.",
                False,
            ),
        ),
    ),
)


def speaker(desk: Desk, ask: Ask, name: str) -> View:
    """The page of one speaker in one setting."""
    setting = ask.text("setting")
    shown = desk.document(Show(name, setting))
    slug, setting = shown["speaker"], shown["setting"]
    settings = desk.ask(("settings", slug), lambda base: asides.setting_names(base, slug))
    try:
        near = desk.document(Match(slug, setting, top=RELATIVES))
        no_relatives = ""
    except RequestError as error:
        near, no_relatives = None, error.message
    held_ = desk.ask(("held", slug, setting), lambda base: held(base.store.con, slug, setting))
    claim = None
    if shown["facts"]["claimed_max_db"] is not None:
        claim = desk.document(Claim(slug, setting))
    peers = desk.ask(("peers", slug), lambda base: asides.peers(base, slug))
    notices = desk.ask(("notices", slug), lambda base: base.facts(slug).cautions())
    cautions = [c for c in shown["cautions"] if c not in notices]
    groups = {
        words: [m.id for m in METRICS.values() if m.group == group and m.id in shown["pooled"]]
        for group, words in GROUPS.items()
    }
    withheld: dict[str, list[str]] = {}
    for metric, value in shown["pooled"].items():
        if value["status"] != "ok":
            withheld.setdefault(value["reason"], []).append(metric)
    return View(
        "speaker.html",
        {
            "shown": shown,
            "facts": shown["facts"],
            "settings": settings,
            "setting": setting,
            "relatives": near,
            "part_words": WORDS,
            "no_relatives": no_relatives,
            "sections": _sections(shown, held_),
            "claim": claim,
            "pooled": shown["pooled"],
            "groups": groups,
            "withheld": withheld,
            "notices": notices,
            "cautions": cautions,
            "peers": peers,
            "about": TARGETS["as_measured"],
        },
    )


def tables_of(desk: Desk, slug: str, setting: str) -> list[str]:
    """The pictures of a speaker's page whose numbers have a page of their own."""
    shown = desk.document(Show(slug, setting))
    held_ = desk.ask(("held", slug, setting), lambda base: held(base.store.con, slug, setting))
    return [name for _, pictures in _sections(shown, held_) for name, _, _, table in pictures if table]


def explanation(desk: Desk, ask: Ask, name: str, metric: str) -> View:
    """Where one value comes from."""
    setting = ask.text("setting")
    found = desk.document(Explain(name, metric, setting))
    facts = desk.document(Show(found["speaker"]))
    return View("explanation.html", {"found": found, "facts": facts["facts"], "default": facts["setting"]})


def _sections(shown: Document, held_: frozenset[str]) -> list[tuple[str, list[tuple[str, str, str, bool]]]]:
    """The pictures that what was measured can fill."""
    fine = {metric for metric, value in shown["pooled"].items() if value["status"] == "ok"}
    there = {
        "place": bool(fine & set(VERDICT)),
        "curves": any(METRICS[m].reading(Curve) for m in fine),
        "angles": "horizontal" in held_,
        "map-horizontal": "horizontal" in held_,
        "map-vertical": "vertical" in held_,
        "beamwidth": any(m.id in fine for m in BEAMWIDTHS),
        "tone": any(m.id in fine for m in TONE.values()),
        "distortion": "distortion" in held_,
        "compression": "compression" in held_,
        "output": PROGRAMME.id in fine,
        "impedance": "impedance" in held_,
    }
    sections = [(words, [p for p in pictures if there[p[0]]]) for words, pictures in _SECTIONS]
    return [(words, pictures) for words, pictures in sections if pictures]


def settings(desk: Desk, ask: Ask, name: str) -> View:
    """What the settings of a speaker change, and which suits a wall."""
    problem = ""
    asked = ask.read(Settings, speaker=name) or Settings(name)
    try:
        found = _told(desk, asked)
    except RequestError as error:
        problem = error.message
        found = _told(desk, Settings(name, asked.against))
    slug = found["speaker"]
    return View(
        "settings.html",
        {
            "found": found,
            "ask": ask,
            "problem": problem,
            "settings": desk.ask(("settings", slug), lambda base: asides.setting_names(base, slug)),
            "facts": desk.document(Show(slug))["facts"],
        },
    )


def _told(desk: Desk, asked: Settings) -> Document:
    """The document of `settings`, with the sentences that the command prints."""
    answer = desk.answer(asked)
    return desk.document(asked) | {
        "shown_hz": list(words.SHOWN_HZ),
        "octaves": [
            {part: words.octave_rows(curve) for part, curve in c.difference_db.items()} for c in answer.changes
        ],
        "control_sentences": [words.control_sentence(control) for control in answer.reached],
        "wall_sentence": words.wall_sentence(answer.before_wall) if answer.before_wall else "",
    }


def numbers(desk: Desk, ask: Ask, picture: str) -> View:
    """What a picture of a speaker is drawn from, as a table."""
    if picture == "place":
        placed = ("places", ask.text("speaker"), ask.text("setting"))
        slug, setting, group, places = desk.ask(placed, lambda base: chart_tables.of_place(base, ask))
        return View("places.html", {"slug": slug, "setting": setting, "group": group, "rows": places})
    key = ("numbers", picture, ask.text("speaker"), ask.text("setting"))
    slug, setting, title, columns, rows = desk.ask(key, lambda base: chart_tables.of_picture(base, picture, ask))
    return View("numbers.html", {"slug": slug, "setting": setting, "title": title, "columns": columns, "rows": rows})
