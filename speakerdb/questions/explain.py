"""Where one value comes from: definition, curve, sessions, source files."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from speakerdb.declare import INNER, Answer, Ask, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Exact, Setting, Speaker
from speakerdb.questions.show import Value, value_of

if TYPE_CHECKING:
    import polars as pl


NO_CURVE: dict[str, list[float]] = {"frequency_hz": [], "level": []}


class Curve(Row):
    """The curve that the definition reads; null and empty where there is none."""

    part: str | None
    words: Annotated[str, Told("the same in words, or the sweep or single curves that are read instead")]
    frequency_hz: list[float]
    level: list[float | None]


class File(Row):
    """A file that a session was read from, as it was then."""

    name: str
    sha256: Annotated[str, Told("of its bytes", pattern="^[0-9a-f]{64}$")]
    size: Annotated[int, Told("bytes")]
    read_as: Annotated[str | None, Told("what it was taken for; null of sessions stored before that was kept")]


class Unread(Row):
    """A file of the session's folder that was not read."""

    name: str
    why_not: str


class Source(Row):
    """A session behind the value."""

    session: str
    lab: str
    sample: str
    date: str
    folder: str
    files: list[File]
    not_read: list[Unread]


class SessionValue(Row):
    """The value that one session gave."""

    session: str
    metrics: dict[str, Value]


@dataclass(eq=False, repr=False)
class Explanation(Answer):
    """A value, its definition, the curve that it is read from, and the files behind it. In Python `rows` holds its
    values: the pooled one, then those of the sessions."""

    speaker: str
    setting: str
    metric: str
    unit: str
    label: str
    definition: str
    definition_version: int
    definition_source: str
    pooled: Annotated[dict[str, Any], Shape(Value, in_rows=True)]
    sessions: Annotated[list[Any], Shape(list[SessionValue], in_rows=True)]
    curve: Annotated[dict[str, Any], Shape(Curve)]
    sources: Annotated[list[Any], Shape(list[Source])]
    alignments: Annotated[tuple[str, ...], Told("what was added to curves of its benches, in sentences")]
    cautions: list[str]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)


@dataclass(frozen=True, repr=False)
class Explain(Question[Explanation]):
    """Show where a value comes from."""

    name = "explain"
    address = "/speakers/{speaker}/metrics/{metric}"
    example = {"speaker": "sill-5", "metric": "preference"}

    speaker: Speaker
    metric: Annotated[str, Ask("A metric's id, or any unambiguous part of it.", place=1)]
    setting: Setting = None
    exact: Exact = False

    def answer(self, base: Base) -> Explanation:
        import polars as pl

        from speakerdb.answering import branching, stored
        from speakerdb.store import session_rows

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        found = stored.explain(base.store, speaker_id, slug, self.metric, self.setting)
        m, values, curve = found.metric, found.values, found.curve
        single = pl.col("session").is_not_null()
        sessions = [
            {"session": row["session"], "metrics": {row["metric"]: value_of(row)}}
            for row in values.filter(single).iter_rows(named=True)
        ]
        sources: dict[str, dict[str, Any]] = {}
        ledgers = session_rows.ledgers(base.store.con, found.sources["session"].unique().to_list())
        for row in found.sources.iter_rows(named=True):
            ledger = ledgers.get(row["session"], [])
            head = {key: row[key] for key in ("session", "lab", "sample", "date", "folder")}
            not_read = [{"name": e["file"], "why_not": e["why_not"]} for e in ledger if e["why_not"]]
            files = sources.setdefault(row["session"], {**head, "files": [], "not_read": not_read})["files"]
            if row["file"] is not None:
                read_as = next((e["read_as"] for e in ledger if e["file"] == row["file"]), None)
                files.append({"name": row["file"], "sha256": row["sha256"], "size": row["size"], "read_as": read_as})
        drawn = (
            {"frequency_hz": curve["frequency_hz"].round(2).to_list(), "level": curve["level"].to_list()}
            if len(curve)
            else NO_CURVE
        )
        return Explanation(
            slug,
            found.setting,
            m.id,
            m.unit,
            m.label,
            m.definition,
            found.metric_version,
            m.source,
            value_of(values.row(by_predicate=~single, named=True)),
            sessions,
            {"part": m.curve, "words": found.read, **drawn},
            list(sources.values()),
            found.alignments,
            branching.cautions(values),
            values,
        )
