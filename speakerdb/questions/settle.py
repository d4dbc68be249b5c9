"""What should be measured next to tell two speakers apart?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.compare import Difference
from speakerdb.questions.shared import Base, Exact, Metrics, metrics_of
from speakerdb.terms import Target

if TYPE_CHECKING:
    import polars as pl

What = Annotated[Literal["repeat", "sample", "lab", "together"], Told("the kind of measurement")]


class Measurement(Row):
    """One measurement for one undecided metric."""

    metric: str
    unit: str
    a: str
    b: str
    difference: float
    ratio: bool
    low: float
    high: float
    contrast: Literal["one run", "one lab", "all"]
    what: What
    speakers: Annotated[list[str], Told("who would be measured")]
    bench: str
    words: Annotated[str, Told("the measurement as one would ask for it")]
    expected_low: Annotated[float, Told("the interval then, if the difference stays")]
    expected_high: float
    share: Annotated[float, Told("of the interval's present width")]
    chance: Annotated[float, Told("that it would tell")]


class Overall(Row):
    """One measurement for all that is undecided."""

    what: What
    speakers: list[str]
    bench: str
    words: str
    settles: Annotated[float, Told("how many of the undecided it would tell, on average")]
    share: float
    metrics: Annotated[list[str], Told("in which it would narrow the interval")]


class Doubtful(Row):
    """A metric that is undecided and not judged."""

    metric: str
    reason: str


@dataclass(eq=False, repr=False)
class Settling(Answer):
    """Measurements that would tell undecided differences, the likeliest first."""

    target: Target
    about: Annotated[str, Told("whom it is about, in words")]
    already: Annotated[pl.DataFrame, Difference]
    rows: Annotated[pl.DataFrame, Measurement]
    overall: Annotated[pl.DataFrame, Overall]
    undecided: Annotated[tuple[str, ...], Told("metrics in which nothing tells yet")]
    decided: tuple[str, ...]
    not_judged: Annotated[pl.DataFrame, Doubtful]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Settle(Question[Settling]):
    """Name the next measurement that would tell two speakers apart."""

    name = "settle"
    address = "/settle"
    example = {"a": "sill-5", "b": "sill-8", "metric": ("preference",)}

    a: Annotated[str, Ask("A speaker; speaker@setting for another setting.", place=0)]
    b: Annotated[str, Ask("The other one.", place=1)]
    metric: Metrics = ()
    another_unit: Annotated[bool, Ask("About a unit you would buy, not those measured.")] = False
    exact: Exact = False

    def answer(self, base: Base) -> Settling:
        from speakerdb.answering import settling
        from speakerdb.answering.comparing import ABOUT, NOT_MODELLED

        sides = (base.side(self.a, exact=self.exact), base.side(self.b, exact=self.exact))
        target: Target = "another_unit" if self.another_unit else "as_measured"
        field = base.of([speaker_id for speaker_id, _ in sides])
        found = settling.settle(base.store, field, sides, metrics_of(self.metric), target)
        return Settling(
            target,
            ABOUT[target],
            found.already,
            found.rows,
            found.overall,
            found.undecided,
            found.decided,
            found.not_judged,
            (settling.ASSUMED, NOT_MODELLED),
        )
