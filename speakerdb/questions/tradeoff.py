"""Two properties against each other: who is the best for the money?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from speakerdb.declare import INNER, Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base, Top, Withheld
from speakerdb.questions.whom import Whom
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.properties import Property

_PROPERTY = "A metric's id or an unambiguous part of it, or price, volume_l, mass_kg, height_mm, width_mm, depth_mm."


class Trade(Row):
    """One speaker in both properties."""

    speaker: str
    setting: str
    x: float
    x_censored: Censoring
    y: float
    y_censored: Censoring
    p_frontier: Annotated[float | None, Told("how likely no other is at least as good in both and better in one")]
    p_frontier_low: Annotated[float | None, Told("with bounds at their worst for it")]
    p_frontier_high: Annotated[float | None, Told("with bounds at their best for it")]
    beaten_from: Annotated[
        float | None,
        Told("going through the rivals' x from good to bad, the first from which it is more likely beaten than not"),
    ]
    beaten_by: Annotated[str | None, Told("whose x that is")]
    beaten_reason: Annotated[str | None, Told("why that is not judged")]
    expected: Annotated[float | None, Told("y as the others lead to expect from x and kind")]
    low: Annotated[float | None, Told("the 95 % interval of that")]
    high: float | None
    makers: Annotated[int | None, Told("of how many makers the others of its kind are")]
    beats: Annotated[Literal["better", "worse", "as_expected"] | None, Told("y against what is expected")]
    unit_x: Annotated[str, Told("of x and beaten_from")]
    unit: Annotated[str, Told("of y, expected, low and high")]


class LinePoint(Row):
    """A point of the line that one in ten beats."""

    x: float
    fit: float
    low: float
    high: float


@dataclass(eq=False, repr=False)
class TradeOff(Answer):
    """Speakers in both properties, those surest on the frontier first."""

    x: Annotated[str, Told("id of the first property")]
    y: Annotated[str, Told("id of the second")]
    filters: Annotated[str, Told("the filters in words")]
    rows: Annotated[pl.DataFrame, Trade]
    quantile: Annotated[float, Told("of the speakers below the line")]
    line: Annotated[pl.DataFrame, LinePoint]
    outside: Annotated[int, Told("speakers outside their interval")]
    not_judged: Annotated[pl.DataFrame, Withheld]
    notes: Annotated[tuple[str, ...], Told("what the columns say, in sentences")]
    cautions: tuple[str, ...]
    of_x: Property = dataclasses.field(metadata=INNER)
    of_y: Property = dataclasses.field(metadata=INNER)
    every: pl.DataFrame = dataclasses.field(
        metadata=INNER
    )  # the rows without `top`: a picture of a few would say nothing of the rest


@dataclass(frozen=True, repr=False)
class Tradeoff(Whom, Question[TradeOff]):
    """Plot two properties; list the best for the money."""

    name = "tradeoff"
    address = "/tradeoff"
    example = {"x": "price", "y": "preference", "kind": "bookshelf"}
    pictures = ("tradeoff",)

    x: Annotated[str, Ask(_PROPERTY, place=0)]
    y: Annotated[str, Ask(_PROPERTY, place=1)]
    top: Top = None

    def answer(self, base: Base) -> TradeOff:
        import polars as pl

        from speakerdb.analysis.frontier import QUANTILE
        from speakerdb.answering import relating

        selection = self.selection()
        x, y, found, not_judged = relating.tradeoff(base.field, self.x, self.y, selection)
        rows = found.rows.with_columns(unit_x=pl.lit(x.unit), unit=pl.lit(y.unit))
        return TradeOff(
            x.id,
            y.id,
            selection.words(),
            rows if self.top is None else rows.head(self.top),
            QUANTILE,
            found.line,
            found.outside,
            not_judged,
            tuple(relating.notes(x, y, found)),
            found.cautions,
            x,
            y,
            rows,
        )
