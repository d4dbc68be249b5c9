"""The method in words: what there is, and each text."""

from __future__ import annotations

from speakerdb.library import method
from speakerdb.web import markdown
from speakerdb.web.asking import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View


def contents(desk: Desk, ask: Ask) -> View:
    """Every text with its headings, and what each is about."""
    return View("method.html", {"topics": method.topics()})


def whole(desk: Desk, ask: Ask, name: str) -> View:
    """One text."""
    return View("text.html", {"topic": method.find(name), "html": markdown.html})
