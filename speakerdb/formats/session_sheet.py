"""A sheet: session.toml keys of many folders as a spreadsheet, one folder a row."""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speakerdb.files import read_file
from speakerdb.formats import keys as session_keys
from speakerdb.formats.columns import find_delimiter
from speakerdb.formats.decoding import decode
from speakerdb.formats.problems import Problems, shown

FOLDER_COLUMN = "folder"
KEPT_NAME = "(sheet) "  # a row kept among a session's sources is named so, and the sheet's name
_TRUE, _FALSE = ("true", "yes", "1"), ("false", "no", "0")
_LONGEST_NAME = 255  # bytes, the limit of common file systems
_NOT_IN_A_SHEET = ("columns", "traces", "bands", "confirmed")


@dataclass(frozen=True)
class SheetRow:
    """One row: keys as in session.toml, and the row with its headings as it is kept among the sources."""

    sheet: str
    line: int
    folder: str
    keys: dict[str, Any]
    excerpt: bytes


@dataclass(frozen=True)
class Sheet:
    """A read sheet. Its folders are looked for beside the sheet, else below the folder that is ingested."""

    path: Path
    rows: tuple[SheetRow, ...]

    def place(self, row: SheetRow, root: Path | None) -> Path:
        """The folder that a row means."""
        beside = self.path.parent / row.folder
        if beside.is_dir() or root is None:
            return beside
        below = root / row.folder
        return below if below.is_dir() else beside

    def rows_of(self, folder: Path, root: Path | None) -> list[SheetRow]:
        """The rows that name a folder: none, one, or by mistake several."""
        wanted = os.path.realpath(folder)
        last = folder.resolve().name
        near = (r for r in self.rows if Path(r.folder).name in {last, "", ".."})  # a cheap look before the costly one
        return [r for r in near if os.path.realpath(self.place(r, root)) == wanted]


def read_sheet(path: Path) -> Sheet:
    """Read a CSV file (comma, semicolon or tab; UTF-8 or UTF-16) with a `folder` column and session.toml keys as
    headings.

    Keys of tables are headed `electronics.NAME`, `uncertainty.NAME` and `prices.NAME`. Empty cells say nothing.
    Raises DataError where the sheet cannot be read or its headings are not known.
    """
    problems = Problems(str(path.parent))
    try:
        content = read_file(path)
    except OSError as error:
        problems.add(f"a sheet that cannot be read ({error.strerror or error})", "a CSV file", file=path.name)
        raise problems.error() from None
    rows = rows_from(path.name, content, problems)
    problems.raise_if_any()
    return Sheet(path, tuple(rows))


def rows_from(name: str, content: bytes, problems: Problems) -> list[SheetRow]:
    """The rows of a sheet; empty with problems noted."""
    text = decode(name, content, None, problems)
    if text is None:
        return []
    first, _, _ = text.lstrip("\n").partition("\n")
    delimiter = find_delimiter(first) or ","
    try:
        reader = csv.reader(io.StringIO(text), delimiter=delimiter)
        lines = [(reader.line_num, [c.strip() for c in cells]) for cells in reader]
    except csv.Error as error:
        problems.add(f"a table that cannot be read ({error})", "a CSV file", file=name)
        return []
    lines = [(n, cells) for n, cells in lines if any(cells)]
    if len(lines) < 2:
        problems.add("no rows", f"a row of headings with `{FOLDER_COLUMN}`, and a row for each folder", file=name)
        return []
    heading_line, headings = lines[0]
    if not _check_headings(name, heading_line, headings, problems):
        return []
    rows = []
    for line, cells in lines[1:]:
        if len(cells) > len(headings) and any(cells[len(headings) :]):
            problems.add(f"{len(cells)} cells", f"{len(headings)} cells as in the heading", file=name, line=line)
            continue
        said = {h: c for h, c in zip(headings, cells, strict=False) if h and c}
        folder = said.pop(FOLDER_COLUMN, "")
        if not folder:
            problems.add("no folder", "the folder that the row describes", file=name, line=line, key=FOLDER_COLUMN)
            continue
        if "\0" in folder or any(len(part.encode()) > _LONGEST_NAME for part in re.split(r"[/\\]", folder)):
            expected = "the folder that the row describes, beside the sheet or below the ingested folder"
            problems.add(
                f"a name no folder can have ({shown(folder)})", expected, file=name, line=line, key=FOLDER_COLUMN
            )
            continue
        keys: dict[str, Any] = {}
        for heading, cell in said.items():
            _put(keys, heading, _typed(heading, cell, decimal_comma=delimiter != ","))
        rows.append(
            SheetRow(name.removeprefix(KEPT_NAME), line, folder.replace("\\", "/"), keys, _excerpt(headings, cells))
        )
    return rows


def _check_headings(name: str, line: int, headings: Sequence[str], problems: Problems) -> bool:
    before = len(problems.items)
    known = [FOLDER_COLUMN, *(k for k in session_keys.schema()["properties"] if k not in _NOT_IN_A_SHEET)]
    for heading in dict.fromkeys(headings):
        if heading and headings.count(heading) > 1:
            problems.add(f"heading {heading} twice", "each heading once", file=name, line=line, key=heading)
        if heading and heading != FOLDER_COLUMN and not _is_key(heading):
            near = difflib.get_close_matches(heading, known, 1, 0.5)
            expected = (
                f"perhaps {near[0]}" if near else f"`{FOLDER_COLUMN}` and keys of session.toml: {', '.join(known)}"
            )
            problems.add(f"unknown heading {shown(heading)}", expected, file=name, line=line)
    if FOLDER_COLUMN not in headings:
        problems.add(
            f"no heading `{FOLDER_COLUMN}`", "a column that names the folder of each row", file=name, line=line
        )
    return len(problems.items) == before


def _is_key(heading: str) -> bool:
    first, dot, rest = heading.partition(".")
    if first in _NOT_IN_A_SHEET or bool(dot) != (first in {"electronics", "uncertainty", "prices"}):
        return False
    return bool(session_keys.subschema(_path(heading))) and (not dot or bool(rest))


def _put(keys: dict[str, Any], heading: str, value: Any) -> None:
    first, dot, rest = heading.partition(".")
    if first == "prices":
        keys.setdefault(first, [{}])[0][rest] = value
    elif dot:
        keys.setdefault(first, {})[rest] = value
    else:
        keys[first] = value


def _typed(heading: str, cell: str, *, decimal_comma: bool) -> Any:
    """A cell as the schema wants it; as text where it is something else, which the check then refuses."""
    if cell == session_keys.BLANK:
        return cell
    part = session_keys.subschema(_path(heading))
    kinds = {p.get("type") for p in (part, *part.get("anyOf", ()))} - {None}
    word = cell.lower()
    if kinds == {"boolean"} and word in _TRUE + _FALSE:
        return word in _TRUE
    if "boolean" in kinds and word in {"true", "false"}:
        return word == "true"
    if kinds & {"number", "integer"}:
        number = cell.replace(",", ".") if decimal_comma else cell
        for kind in (int, float):
            try:
                return kind(number)
            except ValueError:
                continue
    return cell


def _path(heading: str) -> session_keys.Path:
    first, dot, rest = heading.partition(".")
    if first == "prices":
        return (first, 0, rest)
    return (first, rest) if dot else (first,)


def _excerpt(headings: Iterable[str], cells: Iterable[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([list(headings), list(cells)])
    return out.getvalue().encode()
