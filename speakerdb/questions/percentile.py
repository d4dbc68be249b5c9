"""Where does a speaker stand among similar ones?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.errors import RequestError
from speakerdb.questions.shared import Base, Exact, Metrics, Speaker, metrics_of
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl


class Placed(Row):
    """One metric of the speaker, with its place in the group that it needed."""

    metric: str
    label: str
    unit: str
    value: float | None
    censored: Censoring
    place: Annotated[int | None, Told("by the plain value; null with the reason where too few are known")]
    place_low: Annotated[int | None, Told("the best place it can have")]
    place_high: Annotated[int | None, Told("the worst")]
    of: Annotated[int, Told("among so many, the speaker itself counted")]
    among: Annotated[str, Told("the group, in words")]
    reason: str | None


@dataclass(eq=False, repr=False)
class Standing(Answer):
    """Places among peers. Each row names the group that it needed: the one asked for, or a wider one where that is too
    small."""

    speaker: str
    setting: str
    peers: Annotated[tuple[str, ...], Told("of the group that was asked for")]
    among: Annotated[str, Told("that group in words")]
    rows: Annotated[pl.DataFrame, Placed]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Percentile(Question[Standing]):
    """Rank one speaker among similar ones, metric by metric."""

    name = "percentile"
    address = "/speakers/{speaker}/percentile"
    example = {"speaker": "sill-5", "factor": 1.5}

    speaker: Speaker
    metric: Metrics = ()
    factor: Annotated[
        float, Ask("Peers cost and measure within this factor of the speaker's price and size.", least=1, most=1000)
    ] = 2.0
    query: Annotated[str | None, Ask("A named query whose `speaker`s are the peers instead.")] = None
    exact: Exact = False

    def answer(self, base: Base) -> Standing:
        from speakerdb.answering import comparing
        from speakerdb.answering.ranking import ONCE

        side = base.side(self.speaker, exact=self.exact)
        asked: dict[str, Any] = {"factor": self.factor}
        if self.query is not None:
            head, frame, _ = base.query(self.query)
            if "speaker" not in frame.columns:
                raise RequestError(f"query {head.name} has no column `speaker`: it gives no peer group")
            asked = {"among": frame["speaker"].unique().to_list(), "among_words": f"query {head.name}"}
        rows, words, peers = comparing.percentile(base.field, side, metrics_of(self.metric), **asked)
        _, slug = base.find(self.speaker.partition("@")[0], exact=self.exact)
        return Standing(slug, side[1], peers, words, rows, (ONCE,))
