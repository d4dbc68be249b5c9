"""Named queries: plain SQL files in queries/ with a header that gives title, parameters and columns.

    -- title: what it answers
    -- parameter: name type default | meaning        (type text, number, integer, flag; default may be null)
    -- column: name | meaning
    SELECT … WHERE kind = $name
    -- left out
    SELECT … AS reason, … AS speakers              (optional: how many speakers the rows leave out, by reason)

Parameters are bound by DuckDB, never pasted into the text. A user's own files stand in a folder: the one that
SPEAKERDB_QUERIES names, else queries/ beside the database. Each may only read: one SELECT, and no file, network or
extension (the connection has no access to them).
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import polars as pl

from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.resources import resource_dir

ParameterValue = str | float | int | bool | None
FOLDER_VARIABLE = "SPEAKERDB_QUERIES"
_LEFT_OUT = "-- left out"
_TYPES = ("text", "number", "integer", "flag")


@dataclass(frozen=True)
class Parameter:
    name: str
    type: str
    default: ParameterValue
    meaning: str


@dataclass(frozen=True)
class NamedQuery:
    name: str
    title: str
    parameters: tuple[Parameter, ...]
    columns: tuple[tuple[str, str], ...]
    sql: str
    left_out_sql: str | None = None
    own: bool = False  # the user's, not shipped


class Found(NamedTuple):
    """What a query gave: its rows, and how many speakers they leave out (reason, speakers)."""

    query: NamedQuery
    rows: pl.DataFrame
    left_out: pl.DataFrame


def _convert(query: str, name: str, type_: str, text: str) -> ParameterValue:
    """Text of the header or the command line as a value of the parameter's type; raises RequestError."""
    if text.lower() == "null":
        return None
    try:
        if type_ == "number":
            return float(text)
        if type_ == "integer":
            return int(text)
    except ValueError:
        raise RequestError(f"query {query}: parameter {name} is {text!r}; expected a {type_}") from None
    if type_ == "flag":
        if text.lower() in {"true", "yes", "1"}:
            return True
        if text.lower() in {"false", "no", "0"}:
            return False
        raise RequestError(f"query {query}: parameter {name} is {text!r}; expected true or false")
    return text


def parse(path: Path, *, own: bool = False) -> NamedQuery:
    """Read one .sql file; raises ValueError naming the line where the header is not as described above."""
    title, parameters, columns = "", [], []
    text = path.read_text(encoding="utf-8")
    for number, line in enumerate(text.splitlines(), 1):
        if not line.startswith("--"):
            break
        key, _, rest = line[2:].strip().partition(":")
        left, _, meaning = rest.partition("|")
        if key == "title":
            title = rest.strip()
        elif key == "parameter":
            name, type_, default = left.split(maxsplit=2)
            if type_ not in _TYPES:
                raise ValueError(f"{path.name} line {number}: type {type_!r}; expected one of {', '.join(_TYPES)}")
            parameters.append(
                Parameter(name, type_, _convert(path.stem, name, type_, default.strip()), meaning.strip())
            )
        elif key == "column":
            columns.append((left.strip(), meaning.strip()))
        else:
            raise ValueError(f"{path.name} line {number}: {key!r}; expected title, parameter or column")
    if not title or not columns:
        raise ValueError(f"{path.name}: the header lacks a title or columns")
    sql, _, left_out = text.partition(f"\n{_LEFT_OUT}\n")
    return NamedQuery(path.stem, title, tuple(parameters), tuple(columns), sql, left_out or None, own)


def own_folder(database: Path | None) -> Path | None:
    """Where the user's own queries stand: as SPEAKERDB_QUERIES says, else beside the database; None where neither
    is."""
    named = os.environ.get(FOLDER_VARIABLE)
    folder = Path(named) if named else database.parent / "queries" if database is not None else None
    if folder is None or not folder.is_dir() or folder.samefile(resource_dir("queries")):
        return None
    return folder


def all_queries(folder: Path | None = None) -> dict[str, NamedQuery]:
    """Every named query by name, the shipped ones first, then those of a folder of the user's. Raises RequestError for
    a file of the user's that can't be read as one, or has the name of a shipped one."""
    found = {path.stem: parse(path) for path in sorted(resource_dir("queries").glob("*.sql"))}
    for path in sorted(folder.glob("*.sql")) if folder is not None else ():
        if path.stem in found:
            raise RequestError(f"{path.name}: a query of this name is shipped; give yours another")
        try:
            found[path.stem] = _only_reads(parse(path, own=True))
        except (ValueError, OSError) as error:
            raise RequestError(f"{path.name} can't be read as a query: {error}") from None
    return found


def _only_reads(query: NamedQuery) -> NamedQuery:
    """A user's query as it is, if it does nothing but read. Raises ValueError."""
    import duckdb

    for sql in filter(None, (query.sql, query.left_out_sql)):
        try:
            statements = duckdb.extract_statements(sql)
        except duckdb.Error as error:
            raise ValueError(str(error).splitlines()[0]) from None
        if [s.type for s in statements] != [duckdb.StatementType.SELECT]:
            raise ValueError("expected one SELECT and nothing else: a query only reads")
    return query


def find(name: str, folder: Path | None = None) -> NamedQuery:
    """The query of that name; raises UnknownNameError with the nearest name, RequestError as all_queries."""
    known = all_queries(folder)
    if name not in known:
        near = difflib.get_close_matches(name, known, 1)
        hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}"
        raise UnknownNameError(f"no query is named {name!r}{hint}")
    return known[name]


def bind(query: NamedQuery, given: Mapping[str, str]) -> dict[str, ParameterValue]:
    """All parameters with their values; raises RequestError for an unknown one or a value of the wrong type."""
    types = {p.name: p.type for p in query.parameters}
    for name in given:
        if name not in types:
            names = ", ".join(types) or "none"
            raise RequestError(f"query {query.name} has no parameter {name!r}; it has {names}")
    values = {p.name: p.default for p in query.parameters}
    values.update({name: _convert(query.name, name, types[name], text) for name, text in given.items()})
    return values


def used(sql: str, values: Mapping[str, ParameterValue]) -> dict[str, ParameterValue]:
    """The parameters that a statement names; others would be refused."""
    return {name: value for name, value in values.items() if re.search(rf"\${name}\b", sql)}
