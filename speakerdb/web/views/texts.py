"""The method in words: what there is, and each text."""

from __future__ import annotations

from speakerdb.answering import method
from speakerdb.answering.method import Topic
from speakerdb.web import markdown
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View


def contents(desk: Desk, ask: Ask) -> View:
    """Every text with its headings, and what each is about."""
    return View("method.html", {"texts": [(text, _below(text)) for text in method.topics() if text.level == 1]})


def _below(text: Topic) -> list[tuple[Topic, list[Topic]]]:
    """The headings of a text, each with those below it."""
    found: list[tuple[Topic, list[Topic]]] = []
    for topic in method.topics():
        if topic.file == text.file and topic.level == 2:
            found.append((topic, []))
        elif topic.file == text.file and topic.level == 3:
            found[-1][1].append(topic)
    return found


def whole(desk: Desk, ask: Ask, name: str) -> View:
    """One text."""
    return View("text.html", {"topic": method.find(name), "html": markdown.html})
