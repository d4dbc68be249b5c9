"""Named queries: plain SQL files in queries/ with a header that gives title, parameters and columns.

    -- title: what it answers
    -- parameter: name type default | meaning        (type text, number, integer, flag; default may be null)
    -- column: name | meaning
    SELECT … WHERE kind = $name

Parameters are bound by DuckDB, never pasted into the text.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.resources import resource_dir

ParameterValue = str | float | int | bool | None
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


def parse(path: Path) -> NamedQuery:
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
    return NamedQuery(path.stem, title, tuple(parameters), tuple(columns), text)


def all_queries() -> dict[str, NamedQuery]:
    """Every named query by name."""
    return {path.stem: parse(path) for path in sorted(resource_dir("queries").glob("*.sql"))}


def find(name: str) -> NamedQuery:
    """The query of that name; raises UnknownNameError with the nearest name."""
    known = all_queries()
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
