"""How do speakers differ, how sure is it, and does it matter?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from speakerdb.declare import Answer, Ask, AskError, Question, Row, Told
from speakerdb.questions.shared import Base, Exact, Metrics, Statement, metrics_of
from speakerdb.terms import Censoring, Target

if TYPE_CHECKING:
    import polars as pl


MOST_COMPARED = 20


class Difference(Row):
    """One pair in one metric: a − b, or a/b where `ratio`."""

    metric: str
    unit: str
    a: str
    setting_a: str
    b: str
    setting_b: str
    value_a: float
    censored_a: Censoring
    value_b: float
    censored_b: Censoring
    difference: Annotated[float | None, Told("a − b in the unit, or how many times b a is; null between bounds")]
    ratio: bool
    low: Annotated[float | None, Told("the lower end of the 95 % interval; null where open")]
    high: float | None
    p: float
    q: Annotated[float, Told("p over all rows together (Benjamini and Hochberg)")]
    differs: Annotated[bool, Told("its whole interval lies on one side")]
    p_a_better: Annotated[float | None, Told("how likely a is the better; null where neither direction is")]
    matters: Annotated[Literal["yes", "no", "unclear"], Told("yes or no only where the whole interval says so")]
    contrast: Annotated[Literal["one run", "one lab", "all"], Told("which sessions it is of")]
    because: Annotated[str, Told("the same in words")]
    steps: Annotated[float | None, Told("in steps that matter; positive: a better, or more where neither direction is")]
    noticed: Annotated[
        Literal["notice", "probably", "small", "unclear"],
        Told("notice: surely beyond a step; probably: P ≥ 0.8; small: surely within; unclear: can't be told"),
    ]
    family: Annotated[str, Told("what it tells together with others")]


class NotCompared(Row):
    """A metric in which a pair can't be compared."""

    metric: str
    a: str
    setting_a: str
    b: str
    setting_b: str
    reason: str


@dataclass(eq=False, repr=False)
class Comparison(Answer):
    """Every pair's differences, and how many of them can be believed."""

    target: Target
    about: Annotated[str, Told("whom it is about, in words")]
    rows: Annotated[pl.DataFrame, Difference]
    withheld: Annotated[pl.DataFrame, NotCompared]
    differing: Annotated[int, Told("rows whose whole interval lies on one side")]
    real: Annotated[int, Told("rows of q ≤ 0.05, of which about 1 in 20 may not be")]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Compare(Question[Comparison]):
    """Compare speakers metric by metric."""

    name = "compare"
    address = "/compare"
    example = {"speaker": ("sill-5", "sill-8"), "metric": ("preference",)}
    pictures = ("overlay", "differences")

    speaker: Annotated[tuple[str, ...], Ask("Two speakers or more; speaker@setting for another setting.", place=0)]
    metric: Metrics = ()
    target: Statement = "as_measured"
    exact: Exact = False

    def check(self) -> None:
        if not 2 <= len(set(self.speaker)) == len(self.speaker) <= MOST_COMPARED:
            raise AskError(
                "speaker",
                f"compare needs two to {MOST_COMPARED} different speakers or settings, e.g. `compare sill-5 sill-8` or "
                "`compare sill-5@plain sill-5@desk`",
            )

    def answer(self, base: Base) -> Comparison:
        from speakerdb.analysis import differences, noticing
        from speakerdb.answering import comparing

        sides = [base.side(name, exact=self.exact) for name in self.speaker]
        field = base.of([speaker_id for speaker_id, _ in sides])
        rows, withheld = comparing.compare(base.store, field, sides, metrics_of(self.metric), self.target)
        return Comparison(
            self.target,
            comparing.ABOUT[self.target],
            noticing.noticed(rows),
            withheld,
            int(rows["differs"].sum()),
            differences.real(rows),
            (comparing.NOT_MODELLED,),
        )
