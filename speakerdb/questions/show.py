"""All values of one speaker, pooled over its sessions and session by session."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, Question, Row, Shape, Told
from speakerdb.questions.documents import hints_of
from speakerdb.questions.shared import Base, Exact, Setting, Speaker, Statement
from speakerdb.terms import Censoring, Target

if TYPE_CHECKING:
    import polars as pl


class Value(Row):
    """A metric's value; null where withheld, with the reason."""

    value: float | None
    unit: str
    se: Annotated[float | None, Told("standard error, on log2 where ratios count")]
    low: Annotated[float | None, Told("the lower end of the 95 % interval; null where open or not worked out")]
    high: Annotated[float | None, Told("the upper end")]
    censored: Annotated[Censoring, Told("at_most or at_least where the value is a bound")]
    status: Literal["ok", "withheld"]
    reason: Annotated[str | None, Told("why it is withheld, or what is to be said of it")]
    noise_limited: Annotated[bool | None, Told("whether noise may make most of the value")]
    other_value: Annotated[float | None, Told("the other value, of one that is one of two")]
    other_low: float | None
    other_high: float | None
    other_share: Annotated[float | None, Told("in what share of repeats it would be the other")]


class Graded(Row):
    """A number of a line of the verdict; null where withheld."""

    metric: Annotated[str, Told("a metric's id, or price, or place")]
    value: float | None
    low: float | None
    high: float | None
    censored: Censoring
    unit: str
    word: Annotated[str, Told("the class it lies in; empty where none can be chosen")]
    state: Annotated[Literal["known", "unclear", "withheld"], Told("one word; two or none; no value")]


class Line(Row):
    """A line of the verdict."""

    line: str
    number: Annotated[str, Told("as printed")]
    values: list[Graded]
    word: Annotated[str, Told("the verdict, or why there is none")]
    sentence: str


class Values(Row):
    """The values of one session."""

    session: Annotated[str, Told("its id", pattern="^[0-9a-f]{10}$")]
    setting: str
    lab: str
    sample: str
    date: str
    metrics: dict[str, Value]


class Price(Row):
    """The newest price of one kind and currency."""

    kind: str
    currency: str
    price: float
    per: Literal["pair", "one"]
    date: str | None


@dataclass(eq=False, repr=False)
class Shown(Answer):
    """`pooled` is the first setting's; every setting shown stands under `settings`, every session under `sessions`;
    cautions are those of the facts, then those of the values. In Python `rows` holds all of them: pooled rows have no
    session."""

    speaker: str
    facts: dict[str, Any]
    strip: Annotated[list[Any], Shape(list[Line]), Told("the verdict, in eight lines that always stand in this order")]
    target: Target
    setting: str
    pooled: Annotated[dict[str, Any], Shape(dict[str, Value], in_rows=True)]
    settings: Annotated[dict[str, Any], Shape(dict[str, dict[str, Value]], in_rows=True)]
    sessions: Annotated[list[Any], Shape(list[Values], in_rows=True)]
    prices: Annotated[list[Any], Shape(list[Price])]
    aliases: Annotated[list[str], Told("earlier names")]
    conflicts: Annotated[list[str], Told("facts that sources give differently, in words")]
    cautions: list[str]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)
    summary: str = dataclasses.field(metadata=INNER)


@dataclass(frozen=True, repr=False)
class Show(Question[Shown]):
    """Show one speaker: verdict, then all values."""

    name = "show"
    address = "/speakers/{speaker}"
    example = {"speaker": "sill-5"}
    pictures = (
        "curves",
        "angles",
        "map-horizontal",
        "map-vertical",
        "beamwidth",
        "tone",
        "distortion",
        "compression",
        "output",
        "impedance",
        "settings",
        "place",
    )

    speaker: Speaker
    setting: Setting = None
    all_settings: Annotated[bool, Ask("Each setting by itself.")] = False
    target: Statement = "as_measured"
    exact: Exact = False

    def answer(self, base: Base) -> Shown:
        import polars as pl

        from speakerdb.answering import branching, stored, verdict
        from speakerdb.answering.facts import facts_of
        from speakerdb.metrics import METRICS

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        rows = stored.show(base.store, speaker_id, self.setting, all_settings=self.all_settings, target=self.target)
        facts = facts_of(base.store, speaker_id)
        if facts.values["kind"] != "subwoofer":  # what is told of subwoofers alone is no gap of others
            rows = rows.filter(~pl.col("metric").is_in([m.id for m in METRICS.values() if m.kinds == "subwoofer"]))
        is_pooled = pl.col("session").is_null()
        pooled, single = rows.filter(is_pooled), rows.filter(~is_pooled)
        settings = {
            name: metric_map(pooled.filter(setting=name)) for name in pooled["setting"].unique(maintain_order=True)
        }
        heads = ["session", "setting", "lab", "sample", "date"]
        sessions = [
            dict(zip(heads, head, strict=True)) | {"metrics": metric_map(part)}
            for head, part in single.group_by(heads, maintain_order=True)
        ]
        first = next(iter(settings))
        measured = stored.show(base.store, speaker_id, first) if self.target != "as_measured" else rows
        lines = verdict.strip(base, speaker_id, slug, first, measured, facts)
        cautions = [*facts.cautions(), *branching.cautions(rows)]
        return Shown(
            slug,
            facts.values,
            [dataclasses.asdict(line) for line in lines],
            self.target,
            first,
            settings[first],
            settings,
            sessions,
            facts.prices,
            facts.aliases,
            facts.conflicts,
            cautions,
            rows,
            facts.sentence(),
        )


def metric_map(rows: pl.DataFrame) -> dict[str, Any]:
    """metric id -> its value with everything that stands beside it, from rows of `stored.show`."""
    return {row["metric"]: value_of(row) for row in rows.iter_rows(named=True)}


def value_of(row: dict[str, Any]) -> dict[str, Any]:
    """A row of `stored.show` as a value with everything that stands beside it."""
    return {name: row[name] for name in hints_of(Value)}
