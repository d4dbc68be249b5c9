"""The field as a table: chosen columns, filtered, in an order, a part of the rows at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base, Withheld
from speakerdb.questions.whom import Whom
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

NOT_NAMED = 200  # speakers that can't be judged are named up to so many
COLUMNS = ("kind", "price", "preference", "f6_hz", "nbd_window_db", "tone_width_horizontal_deg", "max_level_db")


class TableValue(Row):
    """A metric's value; null where withheld, with the reason."""

    value: float | None
    se: float | None
    low: float | None
    high: float | None
    censored: Censoring | None
    status: str | None
    reason: str | None
    other_value: float | None
    unit: str


class TableRow(Row):
    """One speaker in one setting with its facts; null where unknown."""

    speaker: str
    setting: str
    maker: str
    model: str
    kind: str | None
    powered: bool | None
    price: Annotated[float | None, Told("of what is bought: a pair, or one of a kind that stands alone")]
    year: int | None
    volume_l: float | None
    height_mm: float | None
    width_mm: float | None
    depth_mm: float | None
    mass_kg: float | None
    layout: str | None
    enclosure: str | None
    sessions: int
    metrics: Annotated[dict[str, TableValue] | None, Told("the metrics among the columns")]


@dataclass(eq=False, repr=False)
class TablePart(Answer):
    """A part of the rows, and how many there are. What is unknown or withheld comes last in either order."""

    columns: Annotated[tuple[str, ...], Told("as asked for")]
    sort: str | None
    descending: bool
    filters: Annotated[str, Told("the filters in words")]
    currency: Annotated[str | None, Told("of the prices")]
    total: Annotated[int, Told("rows that pass the filters")]
    start: int
    count: int
    rows: Annotated[pl.DataFrame, TableRow]
    not_judged_total: int
    not_judged: Annotated[pl.DataFrame, Withheld]


@dataclass(frozen=True, repr=False)
class Table(Whom, Question[TablePart]):
    """Print a table of all speakers: chosen metrics and facts."""

    name = "table"
    address = "/field"
    example = {"column": ("price", "mass_kg", "preference"), "sort": "preference", "descending": True, "count": 10}

    column: Annotated[tuple[str, ...], Ask("A metric's id or a fact; may be repeated. Default: a choice of both.")] = (
        COLUMNS
    )
    named: Annotated[str | None, Ask("Only speakers with this in their name.")] = None
    sort: Annotated[str | None, Ask("A metric's id or a fact to sort by. Default: by name.")] = None
    descending: Annotated[bool, Ask("The highest first.")] = False
    start: Annotated[int, Ask("Rows passed over.", least=0, most=10_000_000)] = 0
    count: Annotated[int, Ask("Rows given.", least=1, most=500)] = 50

    def answer(self, base: Base) -> TablePart:
        from speakerdb.answering import tabling

        selection = self.selection()
        ordered, unknown = tabling.field_table(
            base.field, selection, self.column, self.named, self.sort, self.descending
        )
        page = ordered.slice(self.start, self.count)
        return TablePart(
            self.column,
            self.sort,
            self.descending,
            selection.words(),
            page["currency"][0] if len(page) else None,
            len(ordered),
            self.start,
            self.count,
            tabling.with_values(base.field, page, self.column),
            len(unknown),
            unknown.head(NOT_NAMED),
        )
