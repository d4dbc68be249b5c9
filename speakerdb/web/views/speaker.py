"""One speaker, and where one of its values comes from."""

from __future__ import annotations

from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.questions.documents import Document
from speakerdb.questions.explain import Explain
from speakerdb.questions.settings import Settings
from speakerdb.questions.show import Show
from speakerdb.report import pictures, sheet, speaker_pictures
from speakerdb.report.speaker_pictures import Figure
from speakerdb.web import asides
from speakerdb.web.parameters import Ask
from speakerdb.web.rendering import plain
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.words import settings_words as words


def speaker(desk: Desk, ask: Ask, name: str) -> View:
    """The page of one speaker in one setting: its review sheet, with links."""
    setting = ask.text("setting")
    slug = desk.ask(("find", name), lambda base: base.find(name)[1])
    s = desk.ask(("sheet", slug, setting), lambda base: sheet.build(base, slug, setting=setting, exact=True))
    return View("speaker.html", {"s": s, "drawn": ("/drawn/speaker.js", {"speaker": slug, "setting": s.setting})})


def explanation(desk: Desk, ask: Ask, name: str, metric: str) -> View:
    """Where one value comes from."""
    setting = ask.text("setting")
    found = desk.document(Explain(name, metric, setting))
    facts = desk.document(Show(found["speaker"]))
    content = {"found": found, "facts": facts["facts"], "default": facts["setting"]}
    curve = found["curve"]
    if curve["part"] and curve["level"]:
        asked = {"speaker": found["speaker"], "setting": found["setting"], "part": curve["part"]}
        content["picture"] = pictures.curve_figure(plain(curve["part"]), curve["frequency_hz"], curve["level"])
        content["drawn"] = ("/drawn/explanation.js", asked)
    return View("explanation.html", content)


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
            "picture": desk.ask(("settings figure", slug, found["reference"]), lambda base: _figure(base, found)),
            "drawn": ("/drawn/settings.js", {"speaker": slug, "setting": found["reference"]}),
        },
    )


def _figure(base: Database, found: Document) -> Figure:
    asked = speaker_pictures.Ask(base, found["speaker"], found["reference"], speaker_pictures.FIGURE_PX, hover=False)
    return speaker_pictures.figures_of(asked, ["settings"])["settings"]


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
