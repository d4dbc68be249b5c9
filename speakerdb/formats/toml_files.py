"""TOML from bytes, with the line of each defect and of each key."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from dataclasses import dataclass
from typing import Any

from speakerdb.formats.problems import Problems, shown

_DEEPEST = 12  # tables within tables


@dataclass(frozen=True)
class TomlFile:
    """A parsed file. `keys` holds plain JSON values: dates as ISO text."""

    name: str
    text: str
    keys: dict[str, Any]

    def line(self, path: tuple[str | int, ...]) -> int | None:
        """Line of a key, found in the text; None where it cannot be told. Of a key that one of several tables of a name
        lacks, that table's."""
        names = [p for p in path if isinstance(p, str)]
        if not names:
            return None
        lines = self.text.splitlines()
        start, end = 0, len(lines)
        if len(path) > 1 and isinstance(path[1], int):
            of_table = re.compile(r"^\s*\[\[\s*" + _key_pattern(str(path[0])) + r"\s*\]\]")
            heads = [i for i, row in enumerate(lines) if of_table.match(row)]
            if path[1] < len(heads):
                start = heads[path[1]]
                end = next((i for i in range(start + 1, end) if lines[i].lstrip().startswith("[")), end)
                last = re.compile(r"^\s*" + _key_pattern(names[-1]) + r"\s*=")
                return next((i for i in range(start, end) if last.search(lines[i])), start) + 1
        if len(names) > 1:
            head = re.compile(r"^\s*\[\[?\s*" + r"\s*\.\s*".join(_key_pattern(n) for n in names[:-1]) + r"\s*\]\]?")
            start = next((i for i, row in enumerate(lines) if head.match(row)), 0)
        last = re.compile(r"^[\s\[]*(?:[\w\"'.-]+\s*\.\s*)?" + _key_pattern(names[-1]) + r"\s*[\]=.]")
        inside = re.compile(r"\b" + _key_pattern(names[-1]) + r"\s*=")
        for pattern in (last, inside):
            for i in range(start, end):
                if pattern.search(lines[i]):
                    return i + 1
        return None


def _key_pattern(name: str) -> str:
    return r"[\"']?" + re.escape(name) + r"[\"']?"


def parse_toml(name: str, content: bytes, problems: Problems) -> TomlFile | None:
    """Parse a TOML file; None with a problem noted where it is not valid."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problems.add("bytes that are not UTF-8 text", "a TOML file saved as UTF-8", file=name, line=line)
        return None
    try:
        keys = tomllib.loads(text)
    except RecursionError:
        problems.add("values nested too deeply", "a TOML file with flat keys and simple tables", file=name)
        return None
    except ValueError as error:
        place = re.search(r"\(at line (\d+)", str(error))
        line = int(place.group(1)) if place else text.count("\n") + 1
        reason = re.sub(r"\s*\(at .*\)$", "", str(error))
        problems.add(f"invalid TOML: {shown(reason)[1:-1]}", "key = value, text in double quotes", file=name, line=line)
        return None
    try:
        return TomlFile(name, text, _plain(keys, 0))
    except _TooDeepError:
        problems.add("keys nested too deeply", "a TOML file with flat keys and simple tables", file=name)
        return None


class _TooDeepError(Exception):
    pass


def _plain(value: Any, depth: int) -> Any:
    """Dates and times as ISO text, so that one JSON Schema describes it all."""
    if depth > _DEEPEST:
        raise _TooDeepError
    if isinstance(value, dict):
        return {k: _plain(v, depth + 1) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain(v, depth + 1) for v in value]
    if isinstance(value, dt.date | dt.time):  # a datetime is a date
        return value.isoformat()
    return value
