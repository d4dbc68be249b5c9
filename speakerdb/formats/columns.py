"""Tables that other programs exported, read by the map under [columns]."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from speakerdb.formats.archives import WORKBOOK_SUFFIX, workbook_text
from speakerdb.formats.conventions import joined, to_ours
from speakerdb.formats.decoding import decode
from speakerdb.formats.patterns import FIELDS, Pattern, Words, compile_pattern, same_form, words_of
from speakerdb.formats.problems import Place, Problems, shown
from speakerdb.formats.tables import (
    FORMS,
    MAX_TEXT,
    ORBITS,
    TABLE_SUFFIXES,
    CodeArray,
    Table,
    TableForm,
    find_table,
    numbers_of,
    parquet_frame,
    unpack,
)
from speakerdb.formats.view import FolderView
from speakerdb.session import FloatArray
from speakerdb.terms import COMPONENTS

OTHER_TABLES = ("distortion", "compression", "impedance")
# what the maps of the other tables take over from [columns] itself
_SHARED = (
    "encoding",
    "worksheet",
    "delimiter",
    "decimal_comma",
    "comment",
    "skip_rows",
    "units_row",
    "heading",
    "frequency_hz",
    "frequency_unit",
    "thousands",
    "component_words",
    "drive_db",
)
_LEVELS = {"responses": "level_db", "distortion": "level_db", "compression": "level_db", "impedance": "magnitude_ohm"}
_FREQUENCY_HEADING = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:k?hz)?", re.IGNORECASE)  # of a transposed table
_DELIMITERS = {",": ",", ";": ";", "tab": "\t"}


def map_of(said: Mapping[str, Any], form: TableForm) -> Mapping[str, Any] | None:
    """The map of one table out of [columns]; None where the table stands in the plain form."""
    own = {k: v for k, v in said.items() if k not in OTHER_TABLES}
    if form.name == "responses":
        return own or None
    if form.name not in said:
        return None
    return {k: v for k, v in own.items() if k in _SHARED} | dict(said[form.name])


def mapped_files(
    view: FolderView, form: TableForm, said: Mapping[str, Any], problems: Problems
) -> list[tuple[str, dict[str, float]]]:
    """The files of a table and what stands in their names. Raises ValueError for a bad pattern."""
    if "file" not in said:
        name = find_table(view, form.name, TABLE_SUFFIXES, problems)
        return [(name, {})] if name is not None else []
    pattern = compile_pattern(said["file"], words_of(said))
    others = {o.name + s for o in FORMS if o is not form for s in TABLE_SUFFIXES}
    names = [n for n in view.names if n not in others and not n.endswith(".toml")]
    return [(name, values) for name in names if (values := pattern.match(name)) is not None]


def read_mapped(
    view: FolderView,
    form: TableForm,
    files: Sequence[tuple[str, dict[str, float]]],
    said: Mapping[str, Any],
    problems: Problems,
) -> Table | None:
    """Read the files of one table by its map; None with problems noted."""
    before = len(problems.items)
    tables = []
    for name, values in files:
        raw = _read_raw(view, name, said, problems)
        raw = _melted(raw, said, problems) if raw is not None and said.get("transposed") else raw
        table = _arrange(raw, form, said, values, problems) if raw is not None else None
        if table is not None:
            tables.append(table)
    if not tables or len(problems.items) > before:
        return None
    return to_ours(joined(tables), said, problems)


@dataclass(frozen=True, eq=False)
class RawTable:
    """Headings and columns as they stand in a file."""

    file: str
    headings: tuple[str, ...]
    columns: tuple[pl.Series, ...]
    place: Place
    heading_line: int | None


def _read_raw(view: FolderView, name: str, said: Mapping[str, Any], problems: Problems) -> RawTable | None:
    content = view.read(name, problems)
    if content is None:
        return None
    if name.endswith(".parquet"):
        frame = parquet_frame(name, content, problems)
        if frame is None:
            return None
        return RawTable(name, tuple(frame.columns), tuple(frame.get_columns()), lambda row: (name, row + 1), None)
    if name.lower().endswith(WORKBOOK_SUFFIX):
        sheet = workbook_text(name, content, said, problems)
        return raw_from_text(name, sheet, {**said, "delimiter": "tab"}, problems) if sheet is not None else None
    if name.endswith(".gz"):
        content = unpack(name, content, problems)
    text = decode(name, content, said.get("encoding"), problems) if content is not None else None
    return raw_from_text(name, text, said, problems) if text is not None else None


def raw_from_text(name: str, text: str, said: Mapping[str, Any], problems: Problems) -> RawTable | None:
    """Split a text table into cells; None with problems noted."""
    if len(text) > MAX_TEXT:
        expected = f"at most {MAX_TEXT // 10**6} MB of text; larger tables as Parquet, or in the plain form"
        problems.add(f"a table of {len(text) / 1e6:.0f} MB", expected, file=name)
        return None
    lines = text.split("\n")
    comment = said.get("comment")
    kept = [
        i
        for i in range(said.get("skip_rows", 0), len(lines))
        if lines[i].strip() and not (comment and lines[i].startswith(comment))
    ]
    has_heading = said.get("heading", True)
    first = 1 + bool(said.get("units_row")) if has_heading else int(bool(said.get("units_row")))
    if len(kept) <= first:
        problems.add("no rows" if kept else "an empty file", "a heading and rows of numbers", file=name)
        return None
    delimiter = _DELIMITERS.get(said["delimiter"]) if "delimiter" in said else find_delimiter(lines[kept[0]])
    cells = [_split(lines[i], delimiter) for i in kept]
    headings = tuple(cells[0]) if has_heading else tuple(str(i + 1) for i in range(len(cells[0])))
    while headings and not headings[-1]:
        headings = headings[:-1]  # a delimiter at the end of the line
    width, rows, kept_rows = len(headings), cells[first:], kept[first:]

    def place(row: int) -> tuple[str, int]:
        return name, kept_rows[row] + 1

    odd = np.array([len(r) < width or any(r[width:]) for r in rows], dtype=bool)
    expected = f"{width} cells as in the heading, line {kept[0] + 1}"
    if problems.add_rows(odd, lambda row: f"{len(rows[row])} cells", expected, place=place, key="cells"):
        return None
    columns = [pl.Series(h, [r[i] for r in rows], dtype=pl.String) for i, h in enumerate(headings)]
    if "thousands" in said:
        grouped = _find_heading_in(headings, said.get("frequency_hz", "frequency_hz"))
        columns = [_ungrouped(c, said["thousands"]) if i == grouped else c for i, c in enumerate(columns)]
    if said.get("decimal_comma"):
        columns = [_with_points(c) for c in columns]
    return RawTable(name, headings, tuple(columns), place, kept[0] + 1 if has_heading else None)


def _ungrouped(column: pl.Series, separator: str) -> pl.Series:
    return pl.Series(column.name, [without_groups(cell, separator) for cell in column.to_list()], dtype=pl.String)


def without_groups(cell: str, separator: str) -> str:
    """A number without the separators of its thousands; anything else as it is."""
    grouped = re.fullmatch(rf"[+-]?\d{{1,3}}(?:{re.escape(separator)}\d{{3}})+(?:[.,]\d+)?", cell.strip())
    return cell.replace(separator, "") if grouped else cell


def _melted(raw: RawTable, said: Mapping[str, Any], problems: Problems) -> RawTable | None:
    """A table whose headings are frequencies, one curve a row, as one with a row for each frequency."""
    texts = [without_groups(h, said["thousands"]) if "thousands" in said else h for h in raw.headings]
    found = [_FREQUENCY_HEADING.fullmatch(t.strip()) for t in texts]
    across = [i for i, f in enumerate(found) if f is not None]
    if not across:
        expected = "frequencies in the row of headings (columns.transposed = true)"
        problems.add(f"headings {_listed(raw.headings)}", expected, file=raw.file, line=raw.heading_line)
        return None
    count, rows = len(across), len(raw.columns[0])
    frequency = [str(found[i][1]).replace(",", ".") for i in across]  # type: ignore[index]
    kept = [i for i in range(len(raw.headings)) if i not in across]
    columns = [raw.columns[i].gather(np.repeat(np.arange(rows), count)) for i in kept]
    level = pl.Series("level_db", np.array([raw.columns[i].cast(pl.String).to_list() for i in across]).T.ravel())
    return RawTable(
        raw.file,
        (*(raw.headings[i] for i in kept), "frequency_hz", "level_db"),
        (*columns, pl.Series("frequency_hz", frequency * rows), level),
        lambda row: raw.place(row // count),
        raw.heading_line,
    )


def find_delimiter(heading: str) -> str | None:
    """Tab, semicolon or comma, whichever stands in the heading; None for white space."""
    return next((d for d in ("\t", ";", ",") if d in heading), None)


def _split(line: str, delimiter: str | None) -> list[str]:
    if delimiter is None:
        return line.split()
    if '"' in line:
        try:
            return [c.strip() for c in next(csv.reader(io.StringIO(line), delimiter=delimiter, skipinitialspace=True))]
        except (csv.Error, StopIteration):
            pass
    return [c.strip() for c in line.split(delimiter)]


def _with_points(column: pl.Series) -> pl.Series:
    """Decimal commas as points, "1.234,5" as 1234.5; a number with points only stays doubtful and is marked as such."""
    grouped = column.str.contains(r"^[+-]?\d{1,3}(\.\d{3})+,")
    ungrouped = column.str.replace_all(".", "", literal=True)
    doubtful = column.str.contains(r"^[+-]?\d+\.\d+$")
    points = column.zip_with(~grouped, ungrouped).str.replace(",", ".", literal=True)
    marked = (
        pl.Series(column.name, [f"{c} (a point, though decimal_comma = true)" for c in column])
        if doubtful.any()
        else points
    )
    return points.zip_with(~doubtful, marked).alias(column.name)


def _arrange(
    raw: RawTable, form: TableForm, said: Mapping[str, Any], in_name: Mapping[str, float], problems: Problems
) -> Table | None:
    """Find each of our columns: in a column of the file, in the headings of a wide table, in the file's name, or
    fixed."""
    before = len(problems.items)
    words = words_of(said)
    wide = compile_pattern(said["wide"], words) if "wide" in said else None
    level = _LEVELS[form.name]
    curves = _wide_columns(raw, wide, said, problems) if wide is not None else [_Curve(None, {})]
    rows, count = len(raw.columns[0]) if raw.columns else 0, len(curves)
    if rows == 0:
        problems.add("a table without rows", "at least one row", file=raw.file)
    if not curves or rows == 0:
        return None
    numbers: dict[str, FloatArray] = {}
    codes: dict[str, CodeArray] = {}
    spherical = form.name == "responses" and "elevation_deg" in said
    for column in (*form.columns, *(["elevation_deg"] if spherical else [])):
        if spherical and column == "orbit":  # told by the two angles
            continue
        if column == "percent" or (column == level and wide is not None):
            continue
        index = _column_index(raw, column, said, problems)
        if index is not None:
            if column in form.words:
                codes[column] = np.tile(_word_codes(raw, index, column, words, problems), count)
            else:
                numbers[column] = np.tile(
                    numbers_of(raw.file, raw.columns[index].alias(column), problems, raw.place), count
                )
            continue
        values = [c.values.get(column, in_name.get(column, _fixed(said, column))) for c in curves]
        if None in values:
            if column in {"frequency_hz", level, *form.required}:
                _note_missing(raw, column, problems)
        elif column in form.words:
            codes[column] = np.repeat(np.array(values, dtype=np.int64), rows)
        else:
            numbers[column] = np.repeat(np.array(values, dtype=np.float64), rows)
    if wide is not None:
        parts = [numbers_of(raw.file, raw.columns[c.index], problems, raw.place) for c in curves if c.index is not None]
        numbers[level] = np.concatenate(parts)
    if len(problems.items) > before:
        return None
    return Table(form, raw.file, numbers, codes, lambda row: raw.place(row % rows))


@dataclass(frozen=True)
class _Curve:
    """A column of a wide table with what its heading says; index None for a long table."""

    index: int | None
    values: Mapping[str, float]


def _wide_columns(raw: RawTable, wide: Pattern, said: Mapping[str, Any], problems: Problems) -> list[_Curve]:
    taken = {_find_heading(raw, said[c]) for c in (*FIELDS.values(), "frequency_hz", "phase_deg") if c in said}
    curves, ignored = [], []
    for i, heading in enumerate(raw.headings):
        values = wide.match(heading) if i not in taken else None
        if values is not None:
            curves.append(_Curve(i, values))
        elif i not in taken:
            ignored.append(heading)
    if not curves:
        problems.add(
            f"headings {_listed(raw.headings)}",
            f"headings like {shown(wide.text)} (columns.wide)",
            file=raw.file,
            line=raw.heading_line,
            key="columns.wide",
        )
    elif ignored:
        problems.warn(f"{raw.file}: columns not used: {_listed(ignored)}")
    return curves


def _listed(names: Sequence[str]) -> str:
    return ", ".join(map(shown, names[:8])) + (" …" if len(names) > 8 else "")


def _fixed(said: Mapping[str, Any], column: str) -> float | None:
    value = said.get("fixed", {}).get(column)
    if isinstance(value, str):
        return float((ORBITS if column == "orbit" else COMPONENTS).index(value))
    return None if value is None else float(value)


def _find_heading(raw: RawTable, wanted: str | int) -> int | None:
    return _find_heading_in(raw.headings, wanted)


def _find_heading_in(headings: Sequence[str], wanted: str | int) -> int | None:
    """Index of a column by its number or heading: exactly, else but for capitals and spaces."""
    if isinstance(wanted, int):
        return wanted - 1 if wanted <= len(headings) else None
    if wanted in headings:
        return headings.index(wanted)
    same = [same_form(h) for h in headings]
    return same.index(same_form(wanted)) if same_form(wanted) in same else None


def _column_index(raw: RawTable, column: str, said: Mapping[str, Any], problems: Problems) -> int | None:
    wanted = said.get(column, column)
    index = _find_heading(raw, wanted)
    if index is None and column in said:
        problems.add(
            f"headings {_listed(raw.headings)}",
            f"a column {shown(wanted)} (columns.{column})",
            file=raw.file,
            line=raw.heading_line,
            key=f"columns.{column}",
        )
    return index


def _word_codes(raw: RawTable, index: int, column: str, words: Words, problems: Problems) -> CodeArray:
    known = words.codes(column)
    cells = raw.columns[index].cast(pl.String, strict=False).fill_null("")
    code_of = {cell: known.get(same_form(cell), -1) for cell in cells.unique().to_list()}
    codes = np.array([code_of[c] for c in cells.to_list()], dtype=np.int64)
    problems.add_rows(
        codes < 0,
        lambda row: shown(cells[row]),
        f"one of {', '.join(known)}; other words under columns.{column}_words",
        place=raw.place,
        key=column,
    )
    return codes


def _note_missing(raw: RawTable, column: str, problems: Problems) -> None:
    field = next((f for f, c in FIELDS.items() if c == column), None)
    elsewhere = f", {{{field}}} in columns.file or columns.wide, or columns.fixed.{column}" if field else ""
    problems.add(
        f"headings {_listed(raw.headings)}, none of them for {column}",
        f"the heading as columns.{column}{elsewhere}",
        file=raw.file,
        line=raw.heading_line,
        key=column,
    )
