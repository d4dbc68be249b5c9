"""Who is best in one metric, and how sure is the order?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base, Metric, Statement, Top, Withheld
from speakerdb.questions.whom import Whom
from speakerdb.terms import Censoring, Target

if TYPE_CHECKING:
    import polars as pl


class RankRow(Row):
    """One speaker in one setting."""

    rank: Annotated[int, Told("the place by the plain value; equal values share the lower number")]
    rank_low: Annotated[int | None, Told("the best place it can have; null as long as an error is not worked out")]
    rank_high: Annotated[int | None, Told("the worst place it can have")]
    speaker: Annotated[str, Told("its slug")]
    setting: Annotated[str, Told("the setting of its electronics")]
    value: Annotated[float, Told("as defined, in the unit")]
    unit: str
    low: Annotated[float | None, Told("the lower end of the 95 % interval; null where open")]
    high: Annotated[float | None, Told("the upper end")]
    se: Annotated[float | None, Told("standard error, on log2 where ratios count")]
    censored: Annotated[Censoring, Told("at_most or at_least where the value is a bound")]
    other_value: Annotated[float | None, Told("the other value, of one that is one of two")]
    rank_joint_low: Annotated[int | None, Told("the best of the places that all together can have")] = None
    rank_joint_high: Annotated[int | None, Told("the worst of them")] = None


@dataclass(eq=False, repr=False)
class Ranking(Answer):
    """Speakers in order, the better first; those without a place, with the reason; what the order can and can't say."""

    metric: Annotated[str, Told("the metric's id")]
    target: Target
    equalised: Annotated[bool, Told("whether it is as if everyone used the filters that mend it")]
    filters: Annotated[str, Told("the filters in words")]
    rows: Annotated[pl.DataFrame, RankRow]
    withheld: Annotated[pl.DataFrame, Withheld]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Rank(Whom, Question[Ranking]):
    """Rank the speakers by one metric, the better first."""

    name = "rank"
    address = "/metrics/{metric}/ranks"
    example = {"metric": "f6_hz", "kind": "bookshelf", "price_max": 1000.0, "top": 10}
    pictures = ("places",)

    metric: Metric
    top: Top = None
    jointly: Annotated[bool, Ask("Also the places that all together can have.")] = False
    target: Statement = "as_measured"
    equalised: Annotated[bool, Ask("As if everyone used the filters that mend it.")] = False

    def answer(self, base: Base) -> Ranking:
        from speakerdb.answering import ranking
        from speakerdb.field.naming import find_metric

        metric, selection = find_metric(self.metric), self.selection()
        rows, withheld, cautions = ranking.rank(
            base.field, metric, selection, self.top, jointly=self.jointly, target=self.target, equalised=self.equalised
        )
        return Ranking(metric.id, self.target, self.equalised, selection.words(), rows, withheld, cautions)
