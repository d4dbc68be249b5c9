"""Do metrics change over the years, with price or size, or differ between kinds?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from speakerdb.declare import INNER, Answer, Ask, Question, Row, Shape, Told
from speakerdb.questions.documents import rows
from speakerdb.questions.shared import Base, Withheld
from speakerdb.questions.whom import Whom
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.slopes import Trend as Found


class Slope(Row):
    """A metric's slope over a quantity, a row per speaker behind it."""

    metric: str
    over: str
    speakers: int
    makers: int
    labs: int
    censored: Annotated[int, Told("speakers of whom only a bound is known")]
    effect: Annotated[float | None, Told("in `unit` per `per`")]
    low: float | None
    high: float | None
    df: Annotated[float | None, Told("degrees of freedom of the interval, makers being clusters")]
    unit: str
    per: str
    p: float | None
    q: Annotated[float | None, Told("p over everything asked for together")]
    theil_sen: Annotated[float | None, Told("the slope that outliers can't move")]
    reliability: Annotated[float | None, Told("of the quantity, where it is measured itself")]
    method: str
    reason: Annotated[str | None, Told("why there is no interval or no slope")]


class Group(Row):
    """One group of speakers against all others."""

    metric: str
    over: str
    group: str
    speakers: int
    makers: int
    censored: int
    median: float | None
    median_censored: Censoring | None
    median_low: float | None
    median_high: float | None
    median_reason: str | None
    difference: Annotated[float | None, Told("against all others, in `unit`")]
    low: float | None
    high: float | None
    df: float | None
    unit: str
    reason: str | None
    makers_of_both: Annotated[int, Told("makers that have speakers in the group and outside")]
    p: Annotated[float | None, Told("labels exchanged within makers")]
    q: float | None
    p_reason: str | None
    hedges_g: float | None
    cliffs_delta: float | None
    p_all_groups: float | None
    q_all_groups: float | None
    all_groups_reason: str | None
    method: str


class Point(Row):
    """One speaker."""

    speaker: str
    x: float | str
    y: float
    censored: Censoring


class FittedPoint(Row):
    """A point of the fitted line."""

    x: float
    fit: float
    low: float | None
    high: float | None


class OneTrend(Row):
    """What was found for one metric: a slope, or groups."""

    metric: str
    slope: Slope | None
    groups: list[Group]
    points: list[Point]
    line: list[FittedPoint]
    not_judged: list[Withheld]
    cautions: list[str]


@dataclass(eq=False, repr=False)
class Trends(Answer):
    """A trend per metric asked for, in that order. In Python `rows` holds the slopes or the groups of all."""

    over: str
    filters: Annotated[str, Told("the filters in words")]
    trends: Annotated[list[Any], Shape(list[OneTrend], in_rows=True)]
    not_judged: Annotated[pl.DataFrame, Withheld]
    cautions: tuple[str, ...]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)
    found: tuple[Found, ...] = dataclasses.field(metadata=INNER)


@dataclass(frozen=True, repr=False)
class Trend(Whom, Question[Trends]):
    """Show how metrics change with year, price, size or kind."""

    name = "trend"
    address = "/trend"
    example = {"metric": ("di_power_mean_db",), "over": "year"}
    pictures = ("trend",)

    metric: Annotated[tuple[str, ...], Ask("Metrics' ids, or unambiguous parts of them.", place=0)]
    over: Annotated[str, Ask("year, price, volume, mass, kind, layout, enclosure, or another metric.")]

    def answer(self, base: Base) -> Trends:
        import polars as pl

        from speakerdb.answering import relating

        selection = self.selection()
        metrics, over, found, not_judged = relating.trend(base.field, self.metric, self.over, selection)
        trends = [
            {
                "metric": metric.id,
                "slope": next(iter(rows(one.slopes, Slope)), None),
                "groups": rows(one.groups, Group),
                "points": rows(one.points, Point),
                "line": rows(one.line, FittedPoint),
                "not_judged": rows(one.unknown, Withheld),
                "cautions": list(one.cautions),
            }
            for metric, one in zip(metrics, found, strict=True)
        ]
        said = tuple(dict.fromkeys(caution for one in found for caution in one.cautions))
        whole = pl.concat([one.slopes if len(one.slopes) else one.groups for one in found], how="vertical_relaxed")
        return Trends(over, selection.words(), trends, not_judged, said, whole, found)
