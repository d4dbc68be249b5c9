"""The method in words: how numbers are computed and how sure they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base

if TYPE_CHECKING:
    import polars as pl

_ID = Told("a text, or a heading of it", pattern="^(metrics|statistics|data)(#[a-z0-9-]+)?$")


class TopicRow(Row):
    """A heading of the method."""

    topic: Annotated[str, _ID]
    title: str
    level: Annotated[int, Told("of the heading: 1 of a whole text")]
    line: Annotated[str, Told("what it says first")]
    text: Annotated[str, Told("Markdown, where one topic was asked for")] = ""


@dataclass(eq=False, repr=False)
class Topics(Answer):
    """Every heading; or one, with its text."""

    rows: Annotated[pl.DataFrame, TopicRow]


@dataclass(frozen=True, repr=False)
class Method(Question[Topics]):
    """Explain how numbers are computed and how sure they are."""

    name = "method"
    address = "/method"
    example = {"topic": "places"}
    needs_database = False

    topic: Annotated[str | None, Ask("A text, or any unambiguous part of a heading, or a metric's id.", place=0)] = None

    def answer(self, base: Base | None) -> Topics:
        import polars as pl

        from speakerdb.answering import method

        found = method.topics() if self.topic is None else [method.find(self.topic)]
        rows = [{"topic": t.id, "title": t.title, "level": t.level, "line": t.line} for t in found]
        frame = pl.DataFrame(rows)
        return Topics(frame if self.topic is None else frame.with_columns(text=pl.Series([t.text for t in found])))
