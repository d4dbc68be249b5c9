"""What questions share: fields that many ask, rows that many answer with, and the database as they see it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Protocol

from speakerdb.declare import Ask, AskError, Row, Told
from speakerdb.terms import Target

if TYPE_CHECKING:
    from speakerdb.field.field import Field
    from speakerdb.metric import Metric as MetricRow
    from speakerdb.store import Store
    from speakerdb.store.queries import Found

Speaker = Annotated[str, Ask("A speaker's slug, or any unambiguous part of it.", place=0)]
Metric = Annotated[str, Ask("A metric's id, or any unambiguous part of it.", place=0)]
Metrics = Annotated[tuple[str, ...], Ask("Only this metric; may be repeated. Default: all that are ranked.")]
Setting = Annotated[str | None, Ask("Another setting than the default one.")]
Exact = Annotated[bool, Ask("Take the speaker's name as the whole slug.")]
Top = Annotated[int | None, Ask("Only the first so many.", least=1, most=100_000)]
Statement = Annotated[
    Target,
    Ask(
        "What intervals and places are about: as measured on this bench, with the bench's own error, or another unit.",
        "About",
        switches=(
            ("absolute", "Include the bench's own error."),
            ("another_unit", "About a unit you would buy, not those measured."),
        ),
    ),
]


LONGEST_SIDE_M = 100


def sides_of(field: str, text: str) -> tuple[float, float, float]:
    """Length, width and height of a room in metres, from '5.2x4.1x2.5'. Raises AskError beside the field."""
    try:
        length, width, height = (float(one) for one in re.split(r"[x×*]", text.replace(",", ".").replace(" ", "")))
    except ValueError:
        length = width = height = 0.0
    if not all(0 < side <= LONGEST_SIDE_M for side in (length, width, height)):
        expected = (
            f"expected length, width and height in metres, above 0 and at most {LONGEST_SIDE_M}, e.g. 5.2x4.1x2.5"
        )
        raise AskError(field, f"{field}: {text!r}; {expected}")
    return length, width, height


class Withheld(Row):
    """A speaker that has no place in an answer."""

    speaker: str
    setting: str
    reason: Annotated[str, Told("what is missing or unknown")]


class Base(Protocol):
    """The database as a question sees it."""

    @property
    def store(self) -> Store: ...
    @property
    def field(self) -> Field: ...
    def of(self, speaker_ids: Sequence[int]) -> Field: ...
    def find(self, speaker: str, *, exact: bool = False) -> tuple[int, str]: ...
    def setting(self, speaker: str, wanted: str | None = None) -> str: ...
    def side(self, name: str, *, exact: bool = False) -> tuple[int, str]: ...
    def query(self, name: str, parameters: Mapping[str, str] | None = None) -> Found: ...


def metrics_of(names: Sequence[str]) -> list[MetricRow] | None:
    """The metrics that were named, by id or part of it; None, which means all that are ranked, where none was."""
    from speakerdb.field.naming import find_metric

    return [find_metric(name) for name in names] or None
