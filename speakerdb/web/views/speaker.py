"""One speaker, and where one of its values comes from."""

from __future__ import annotations

from speakerdb.dictionary import METRICS
from speakerdb.errors import RequestError
from speakerdb.library import Selection
from speakerdb.web import answers
from speakerdb.web.asking import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.field import GROUPS

RELATIVES = 8


def speaker(desk: Desk, ask: Ask, name: str) -> View:
    """The page of one speaker in one setting."""
    setting = ask.text("setting")
    shown = desk.ask(("speaker", name, setting), lambda base: answers.speaker(base, name, setting))
    slug, setting = shown["speaker"], shown["setting"]
    settings = desk.ask(("settings", slug), lambda base: answers.settings(base, slug))
    try:
        near = desk.ask(
            ("relatives", slug, setting, Selection(), RELATIVES),
            lambda base: answers.relatives(base, slug, setting, Selection(), RELATIVES),
        )
        no_relatives = ""
    except RequestError as error:
        near, no_relatives = None, error.message
    short = desk.ask(("in short", slug), lambda base: answers.in_short(base, slug))
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
        {"shown": shown, "facts": shown["facts"], "settings": settings, "setting": setting, "relatives": near,
         "no_relatives": no_relatives, "short": short, "groups": groups, "withheld": withheld},
    )  # fmt: skip


def explanation(desk: Desk, ask: Ask, name: str, metric: str) -> View:
    """Where one value comes from."""
    setting = ask.text("setting")
    key = ("explanation", name, metric, setting)
    found = desk.ask(key, lambda base: answers.explanation(base, name, metric, setting))
    facts = desk.ask(("speaker", found["speaker"], None), lambda base: answers.speaker(base, found["speaker"], None))
    return View("explanation.html", {"found": found, "facts": facts["facts"], "default": facts["setting"]})
