"""The method in words: what each number means and how sure it is.

The texts are the Markdown files of the folder method/. Their figures are not written there: they come from the
dictionary's rows and from the constants that the program works with (`method_figures`). A topic is a text
("statistics") or one of its headings ("statistics#places").
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from speakerdb.answering import method_figures
from speakerdb.errors import UnknownNameError
from speakerdb.field.naming import some
from speakerdb.metrics import METRICS
from speakerdb.resources import resource_dir

FOLDER = "method"
TEXTS = ("metrics", "statistics", "data")
_HEADING = re.compile(r"^(#{1,3}) (.+)$", re.M)
_SENTENCE = re.compile(r"^.*?(?<!\b[A-Z])[.?](?=\s|$)", re.S)  # the point behind an initial ends none
_LINK = re.compile(r"\[([^\]]+)\]\([^)]+\)")
_NEAREST = 3


@dataclass(frozen=True)
class Topic:
    """A heading. file: 'statistics'; anchor: 'places', '' of the whole text; level 1 to 3; line: the first sentence
    below it; text: Markdown, from the heading to the next of its level or above."""

    file: str
    anchor: str
    title: str
    level: int
    line: str
    text: str

    @property
    def id(self) -> str:
        """'statistics' or 'statistics#places'."""
        return f"{self.file}#{self.anchor}" if self.anchor else self.file


def text(topic: str) -> str:
    """The Markdown of a topic. Raises UnknownNameError with the nearest ones."""
    return find(topic).text


@cache
def topics() -> tuple[Topic, ...]:
    """Every text and every heading in it, in their order."""
    return tuple(topic for name in TEXTS for topic in _topics_of(name, rendered(name)))


def find(name: str) -> Topic:
    """A topic by its id, by any unambiguous part of a heading, or by the id of a metric, which is told where it is
    defined. Raises UnknownNameError with the nearest topics."""
    every = {t.id: t for t in topics()}
    wanted = name.strip().lower()
    if wanted in every:
        return every[wanted]
    if wanted in METRICS:
        return of_metric(wanted)
    file, _, heading = wanted.rpartition("#")
    part = anchor(heading)
    inside = [t for t in topics() if file in ("", t.file)]
    fits = [t for t in inside if part and t.anchor == part] or [t for t in inside if part and part in t.anchor]
    if len(fits) == 1:
        return fits[0]
    if fits:
        raise UnknownNameError(
            f"{name!r} fits {len(fits)} topics: {some([t.id for t in fits])}. Give a longer part of the heading"
        )
    headings = {t.anchor or t.file: t.id for t in topics()}
    near = [headings[h] for h in difflib.get_close_matches(part, headings, _NEAREST, 0.4)]
    hint = f"; the nearest topics are {', '.join(near)}" if near else "; `speakerdb method` lists all"
    raise UnknownNameError(f"no topic of the method is named {name!r}{hint}")


def of_metric(metric: str) -> Topic:
    """The heading under which a metric is defined."""
    return next(t for t in topics() if t.id == METRICS[metric].method)


def anchor(heading: str) -> str:
    """A heading as the end of an address: 'Bass limits' -> 'bass-limits'."""
    return re.sub(r"[\s_-]+", "-", re.sub(r"[^\w\s-]", "", heading.lower())).strip("-")


@cache
def rendered(name: str) -> str:
    """A whole text with its figures. Raises jinja2.UndefinedError for a figure that the program does not have."""
    environment = Environment(
        loader=FileSystemLoader(resource_dir(FOLDER)),
        undefined=StrictUndefined,
        finalize=method_figures.plain,
        autoescape=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= method_figures.FILTERS
    return environment.get_template(f"{name}.md").render(method_figures.context())


def _topics_of(name: str, markdown: str) -> Iterator[Topic]:
    found = list(_HEADING.finditer(markdown))
    for i, heading in enumerate(found):
        level = len(heading[1])
        ends = (h.start() for h in found[i + 1 :] if len(h[1]) <= level)
        body = markdown[heading.end() :].lstrip()
        paragraph = body.split("\n\n", 1)[0]
        first = _SENTENCE.match(paragraph)
        yield Topic(
            name,
            "" if level == 1 else anchor(heading[2]),
            heading[2],
            level,
            _LINK.sub(r"\1", " ".join((first[0] if first else paragraph).split()).removesuffix(":")),
            markdown[heading.start() : next(ends, len(markdown))].strip() + "\n",
        )
