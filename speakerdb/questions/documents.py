"""Answers as JSON documents, the same for every door. Every document carries "format" and the state of the database;
NaN and infinity are null."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, get_args, get_origin

from speakerdb.declare import Answer, Row, Shape
from speakerdb.errors import SpeakerdbError

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.store import State

FORMAT = 2
Document = dict[str, Any]


def document(state: State | None, answer: Answer) -> Document:
    """The document of an answer. state None: one that needs no database (the dictionary)."""
    return head(state) | {name: told_as(getattr(answer, name), form) for name, form in forms(type(answer)).items()}


def told_as(value: Any, form: Any) -> Any:
    """The value of a field of an answer as its document has it."""
    row = row_of(form)
    return rows(value, row) if row else plain(value)


def head(state: State | None) -> Document:
    """What every document begins with."""
    found: Document = {"format": FORMAT, "state": state.state if state else None}
    if state is not None:
        found |= {"speakers": state.speakers, "changed": state.date, "error_model": state.error_model}
    return found


def told(state: State | None, **content: Any) -> Document:
    """The document of what a command did. state None: it needed no database."""
    return head(state) | {name: plain(value) for name, value in content.items()}


def error(problem: SpeakerdbError) -> Document:
    """An error as a document."""
    items = [i.to_dict() for i in problem.items]
    return {"format": FORMAT, "error": {"code": problem.code, "message": problem.message, "items": items}}


def usage_error(message: str) -> Document:
    """A usage error as a document."""
    return {"format": FORMAT, "error": {"code": "usage", "message": message, "items": []}}


def forms(answer: type[Answer]) -> dict[str, Any]:
    """The fields of an answer's document, in order, as type forms; tables as Annotated[pl.DataFrame, Row]."""
    hints = hints_of(answer)
    return {f.name: hints[f.name] for f in dataclasses.fields(answer) if f.name in hints}  # type: ignore[arg-type]


def hints_of(shape: type[Any]) -> dict[str, Any]:
    """The types of the fields of a document's class, with what they mean; without the inner ones, whose types no
    document needs."""
    import polars as pl

    if shape in _HINTS:
        return _HINTS[shape]
    inner = {f.name for f in getattr(shape, "__dataclass_fields__", {}).values() if f.metadata.get("inner")}
    found: dict[str, Any] = {}
    for one in reversed(shape.__mro__):
        known = {**vars(sys.modules[one.__module__]), "pl": pl}
        named = {k: v for k, v in vars(one).get("__annotations__", {}).items() if k not in inner}
        found |= {name: eval(form, known) if isinstance(form, str) else form for name, form in named.items()}
    _HINTS[shape] = found
    return found


_HINTS: dict[type[Any], dict[str, Any]] = {}


def row_of(form: Any) -> type[Row] | None:
    """The class of the rows of a table; None of any other field."""
    rows = get_args(form)[1:] if get_origin(form) is Annotated else ()
    return next((row for row in rows if isinstance(row, type) and issubclass(row, Row)), None)


def shape_of(form: Any) -> Any:
    """What the document of a field looks like, as a type form."""
    if row := row_of(form):
        return list[row]  # type: ignore[valid-type]
    if get_origin(form) is Annotated:
        return next((m.form for m in get_args(form)[1:] if isinstance(m, Shape)), form)
    return form


def rows(frame: pl.DataFrame, row: type[Row]) -> list[Document]:
    """The rows of a frame, each with the columns of its class that the frame has."""
    columns = [name for name in hints_of(row) if name in frame.columns]
    return [plain(one) for one in frame.select(columns).iter_rows(named=True)]


def plain(value: Any) -> Any:
    """A value as JSON can carry it."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return plain(value.tolist()) if hasattr(value, "tolist") else value
