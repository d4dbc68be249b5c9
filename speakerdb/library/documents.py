"""Answers as JSON documents, the same for the command line and the pages; schemas/cli/ describes each.

Every document carries "format": 1 and the state of the database; NaN and infinity are null.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.analysis import match as matching
from speakerdb.errors import SpeakerdbError

if TYPE_CHECKING:
    from speakerdb.library.answers import Explanation
    from speakerdb.library.ingest import IngestResult
    from speakerdb.store import State
    from speakerdb.store.queries import NamedQuery

FORMAT = 1
Document = dict[str, Any]


def clean(value: Any) -> Any:
    """A value as JSON can carry it: NaN and infinity null, dates ISO, tuples lists."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    return value


def document(state: State | None, **content: Any) -> Document:
    """The frame of every answer. state None: an answer that needs no database (the dictionary)."""
    head: Document = {"format": FORMAT, "state": state.state if state else None}
    if state is not None:
        head |= {"speakers": state.speakers, "changed": state.date}
    return head | clean(content)  # type: ignore[no-any-return]


def error(problem: SpeakerdbError) -> Document:
    """An error as a document."""
    return {
        "format": FORMAT,
        "error": {"code": problem.code, "message": problem.message, "items": [i.to_dict() for i in problem.items]},
    }


def usage_error(message: str) -> Document:
    """A usage error as a document."""
    return {"format": FORMAT, "error": {"code": "usage", "message": message, "items": []}}


def rows(frame: pl.DataFrame) -> list[Document]:
    return [clean(row) for row in frame.iter_rows(named=True)]


def ingest(state: State | None, results: Sequence[IngestResult]) -> Document:
    return document(
        state,
        sessions=[
            {
                "folder": r.folder, "session": r.session, "speaker": r.speaker, "result": r.result,
                "errors": [e.to_dict() for e in r.errors], "warnings": list(r.warnings),
            }
            for r in results
        ],
    )  # fmt: skip


_M = ("value", "unit", "se", "low", "high", "censored", "status", "reason")


def _metric_map(frame: pl.DataFrame) -> Document:
    return {row["metric"]: {key: clean(row[key]) for key in _M} for row in frame.iter_rows(named=True)}


def show(state: State, speaker: str, frame: pl.DataFrame, facts: Document, extra: Document) -> Document:
    """pooled is the first setting's; every setting shown stands under settings, every session under sessions."""
    pooled = frame.filter(pl.col("session").is_null())
    settings = pooled["setting"].unique(maintain_order=True).to_list()
    single = frame.filter(pl.col("session").is_not_null())
    sessions = []
    for (session, setting, lab, sample, date), part in single.group_by(
        ["session", "setting", "lab", "sample", "date"], maintain_order=True
    ):
        sessions.append({"session": session, "setting": setting, "lab": lab, "sample": sample, "date": date,
                         "metrics": _metric_map(part)})  # fmt: skip
    by_setting = {s: _metric_map(pooled.filter(pl.col("setting") == s)) for s in settings}
    return document(
        state, speaker=speaker, facts=facts, setting=settings[0], pooled=by_setting[settings[0]],
        settings=by_setting, sessions=sessions, **extra,
    )  # fmt: skip


def rank(state: State, metric: str, frame: pl.DataFrame, filters: str) -> Document:
    ok = frame.filter(pl.col("status") == "ok").drop("status", "reason")
    withheld = frame.filter(pl.col("status") != "ok").select("speaker", "setting", "reason")
    return document(state, metric=metric, filters=filters, rows=rows(ok), withheld=rows(withheld))


def match(state: State, speaker: str, setting: str, frame: pl.DataFrame, weights: dict[str, float]) -> Document:
    parts = list(matching.CURVES)
    found = []
    for row in frame.iter_rows(named=True):
        row["parts"] = {p: row.pop(p) for p in parts}
        found.append({**row, "unit": "dB"})
    return document(state, speaker=speaker, setting=setting, weights=weights, rows=found)


def explain(state: State, answer: Explanation) -> Document:
    metric = answer.metric
    sources: dict[str, Document] = {}
    for row in answer.sources.iter_rows(named=True):
        head = {key: row[key] for key in ("session", "lab", "sample", "date", "folder")}
        entry = sources.setdefault(row["session"], {**head, "files": []})
        if row["file"] is not None:
            entry["files"].append({"name": row["file"], "sha256": row["sha256"], "size": row["size"]})
    return document(
        state, speaker=answer.speaker, setting=answer.setting, metric=metric.id, unit=metric.unit, label=metric.label,
        definition=metric.definition, definition_version=answer.metric_version, definition_source=metric.source,
        pooled=_metric_map(answer.values.filter(pl.col("session").is_null()))[metric.id],
        sessions=[
            {"session": row["session"], "metrics": {metric.id: {key: row[key] for key in _M}}}
            for row in answer.values.filter(pl.col("session").is_not_null()).iter_rows(named=True)
        ],
        curve={"part": answer.curve_part, "frequency_hz": answer.curve["frequency_hz"].round(2).to_list() if len(answer.curve) else [],
               "level": answer.curve["level"].to_list() if len(answer.curve) else []},
        sources=list(sources.values()),
    )  # fmt: skip


def query_head(query: NamedQuery) -> Document:
    return {
        "name": query.name, "title": query.title,
        "parameters": [{"name": p.name, "type": p.type, "default": p.default, "meaning": p.meaning} for p in query.parameters],
        "columns": [{"name": name, "meaning": meaning} for name, meaning in query.columns],
    }  # fmt: skip
