"""Is a maker's claimed maximum level believable?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import Answer, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Exact, Setting, Speaker

if TYPE_CHECKING:
    import polars as pl


class Claimed(Row):
    """The claim as it was made, and referred to one speaker at 1 m."""

    level_db: float
    pair: bool
    distance_m: float
    distance_assumed: Annotated[bool, Told("none was stated: 1 m is taken")]
    one_at_1_m_db: float


class Level(Row):
    """A measured level: low and high are equal where it is exact, null where open."""

    metric: str
    low: float | None
    high: float | None
    reason: str | None


class Ends(Row):
    """Both ends of what a figure can be; null where open."""

    low: float | None
    high: float | None


class Explains(Row):
    """What makers count without saying so."""

    what: str
    db: float


@dataclass(eq=False, repr=False)
class Judgement(Answer):
    """A claimed maximum level against the measured one, step by step."""

    speaker: str
    setting: str
    unit: Literal["dB"]
    claim: Annotated[dict[str, Any], Shape(Claimed)]
    measured: Annotated[pl.DataFrame, Level]
    unexplained_db: Annotated[
        dict[str, Any], Shape(Annotated[Ends, Told("of the claim, by the maximum level, of which the verdict speaks")])
    ]
    beyond_music_db: Annotated[
        dict[str, Any], Shape(Annotated[Ends, Told("of the claim, over what music at full range reaches")])
    ]
    amplifier_needed_w: float | None
    verdict: Annotated[str, Shape(Literal["met", "about_met", "not_met", "not_judged"])]
    may_explain: Annotated[list[Any], Shape(list[Explains])]
    sentences: list[str]

    @property
    def rows(self) -> pl.DataFrame:  # type: ignore[override]
        return self.measured


@dataclass(frozen=True, repr=False)
class Claim(Question[Judgement]):
    """Check a maker's claimed maximum level."""

    name = "claim"
    address = "/speakers/{speaker}/claim"
    example = {"speaker": "weir-2"}

    speaker: Speaker
    setting: Setting = None
    exact: Exact = False

    def answer(self, base: Base) -> Judgement:
        import polars as pl

        from speakerdb.answering import claiming

        _, slug = base.find(self.speaker, exact=self.exact)
        c = claiming.claim(base.field, slug, base.setting(slug, self.setting))
        claimed = {
            "level_db": c.claimed_db,
            "pair": c.pair,
            "distance_m": c.distance_m,
            "distance_assumed": c.distance_assumed,
            "one_at_1_m_db": c.single_db,
        }
        levels = [
            {"metric": name, "low": low, "high": high, "reason": reason}
            for name, (low, high, reason) in c.measured.items()
        ]
        schema = {"metric": pl.String, "low": pl.Float64, "high": pl.Float64, "reason": pl.String}
        return Judgement(
            c.speaker,
            c.setting,
            "dB",
            claimed,
            pl.DataFrame(levels, schema),
            _ends(c.unexplained),
            _ends(c.beyond_music),
            c.amplifier_w,
            c.verdict,
            c.may_explain,
            c.sentences,
        )


def _ends(pair: tuple[float | None, float | None]) -> dict[str, float | None]:
    return {"low": pair[0], "high": pair[1]}
