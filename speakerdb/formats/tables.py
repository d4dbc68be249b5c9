"""Tables from bytes: CSV, gzipped CSV and Parquet into plain float arrays, each defect with its line."""

from __future__ import annotations

import difflib
import io
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.view import MAX_FILE_BYTES, FolderView
from speakerdb.session import COMPONENTS, FloatArray

MAX_ROWS = 10_000_000
TABLE_SUFFIXES = (".csv", ".csv.gz", ".parquet")
ORBITS = ("horizontal", "vertical")


@dataclass(frozen=True)
class TableForm:
    """A table's columns: numbers, words out of a fixed list, and which must be there."""

    name: str
    numbers: tuple[str, ...]
    words: Mapping[str, tuple[str, ...]]
    required: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        return (*self.words, *self.numbers)


RESPONSES = TableForm("responses", ("frequency_hz", "angle_deg", "level_db", "phase_deg"), {"orbit": ORBITS},
                      ("frequency_hz", "orbit", "angle_deg", "level_db"))  # fmt: skip
DISTORTION = TableForm("distortion", ("drive_db", "frequency_hz", "level_db", "percent"), {"component": COMPONENTS},
                       ("drive_db", "frequency_hz", "component"))  # fmt: skip
COMPRESSION = TableForm("compression", ("drive_db", "frequency_hz", "level_db"), {}, ("drive_db", "frequency_hz", "level_db"))  # fmt: skip
IMPEDANCE = TableForm("impedance", ("frequency_hz", "magnitude_ohm", "phase_deg"), {}, ("frequency_hz", "magnitude_ohm"))  # fmt: skip
FORMS = (RESPONSES, DISTORTION, COMPRESSION, IMPEDANCE)


@dataclass(frozen=True, eq=False)
class Table:
    """Columns of one table, N rows each. Words are codes into the form's list; NaN marks an empty cell."""

    form: TableForm
    file: str
    numbers: dict[str, FloatArray]
    words: dict[str, NDArray[np.int64]]
    line_of: Callable[[int], int]  # row -> line of the file (row number in Parquet)

    @property
    def rows(self) -> int:
        return len(self.numbers["frequency_hz"])

    def refuse(self, problems: Problems, bad: NDArray[np.bool_], column: str, expected: str) -> bool:
        """Note the rows marked bad, with the value that stands there."""
        values = self.numbers[column]

        def describe(row: int) -> str:
            return "an empty cell" if np.isnan(values[row]) else f"{values[row]:g}"

        return problems.add_rows(bad, describe, expected, file=self.file, line_of=self.line_of, key=column)


def find_table(view: FolderView, name: str, suffixes: tuple[str, ...], problems: Problems) -> str | None:
    """The one file of a table, by its name; two files of the same table are a defect."""
    found = [name + s for s in suffixes if name + s in view.names]
    if len(found) > 1:
        problems.add(f"two files of one table: {', '.join(found)}", f"only one of them: {name}{' or '.join(suffixes)}",
                     file=found[1])  # fmt: skip
        return None
    return found[0] if found else None


def read_table(view: FolderView, file: str, form: TableForm, problems: Problems) -> Table | None:
    """Read a table in the plain form; None with problems noted."""
    content = view.read(file, problems)
    if content is None:
        return None
    if file.endswith(".parquet"):
        return _from_parquet(file, content, form, problems)
    if file.endswith(".gz"):
        content = unpack(file, content, problems)
        if content is None:
            return None
    return _from_csv(file, content, form, problems)


def unpack(file: str, content: bytes, problems: Problems) -> bytes | None:
    """Unpack gzip, with a limit on what comes out."""
    out = bytearray()
    rest = content
    try:
        while rest:
            unpacker = zlib.decompressobj(wbits=31)
            out += unpacker.decompress(rest, MAX_FILE_BYTES + 1 - len(out))
            if len(out) > MAX_FILE_BYTES:
                problems.add(f"more than {MAX_FILE_BYTES // 10**6} MB when unpacked", "a smaller table", file=file)
                return None
            if not unpacker.eof:
                problems.add("a gzip file that breaks off", "a whole file", file=file)
                return None
            rest = unpacker.unused_data.lstrip(b"\0")
    except zlib.error as error:
        problems.add(f"a damaged gzip file ({error})", "a file that gzip can unpack", file=file)
        return None
    return bytes(out)


def check_header(file: str, header: list[str], form: TableForm, problems: Problems, line: int | None = 1) -> bool:
    """Whether the headings are those of the form; notes unknown, doubled and missing ones."""
    before = len(problems.items)
    for name in dict.fromkeys(header):
        if name not in form.columns:
            near = difflib.get_close_matches(name, form.columns, 1, 0.5)
            expected = f"perhaps {near[0]}" if near else f"columns {', '.join(form.columns)}"
            problems.add(f"unknown column {shown(name)}", expected + "; other headings are mapped by [columns] in folder.toml",
                         file=file, line=line, key=name if name.isprintable() else None)  # fmt: skip
        elif header.count(name) > 1:
            problems.add(f"column {name} twice", "each column once", file=file, line=line, key=name)
    for name in form.required:
        if name not in header:
            problems.add(f"no column {name}", f"columns {', '.join(form.required)}", file=file, line=line, key=name)
    if form is DISTORTION and ("level_db" in header) == ("percent" in header):
        problems.add("both level_db and percent" if "percent" in header else "neither level_db nor percent",
                     "one of the two", file=file, line=line)  # fmt: skip
    return len(problems.items) == before


def _from_csv(file: str, content: bytes, form: TableForm, problems: Problems) -> Table | None:
    content = content.removeprefix(b"\xef\xbb\xbf")
    if not content.strip():
        problems.add("an empty file", f"columns {', '.join(form.required)}", file=file)
        return None
    try:
        first = content[: content.find(b"\n") if b"\n" in content else len(content)].decode("utf-8").rstrip("\r")
    except UnicodeDecodeError:
        problems.add("bytes that are not UTF-8 text", "a CSV file in UTF-8, or `encoding` under [columns] in folder.toml",
                     file=file, line=1)  # fmt: skip
        return None
    header = [h.strip().strip('"') for h in first.split(",")]
    if not check_header(file, header, form, problems):
        return None
    types: dict[str, Any] = {h: pl.Enum(form.words[h]) if h in form.words else pl.Float64 for h in header}
    try:
        frame = pl.read_csv(content, schema=types, has_header=True)
        nulls = frame.null_count().row(0)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        frame, nulls = None, ()
    if frame is None or any(nulls):
        return _from_troubled_csv(file, content, header, form, problems)
    return _from_frame(file, frame, form, problems, lambda row: row + 2)


def _from_troubled_csv(
    file: str, content: bytes, header: list[str], form: TableForm, problems: Problems
) -> Table | None:
    """The careful way for a file with empty or bad cells: all text first, so that each defect has its line."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problems.add("bytes that are not UTF-8 text", "a CSV file in UTF-8, or `encoding` under [columns] in folder.toml",
                     file=file, line=line)  # fmt: skip
        return None
    lines = text.split("\n")[1:]
    kept = [i for i, row in enumerate(lines) if row.strip()]
    cells = [lines[i].rstrip("\r").split(",") for i in kept]

    def line_of(row: int) -> int:
        return kept[row] + 2

    width = len(header)
    odd = np.array([len(c) != width for c in cells], dtype=bool)
    if problems.add_rows(odd, lambda row: f"{len(cells[row])} cells", f"{width} cells as in the heading", file=file,
                         line_of=line_of, key="cells"):  # fmt: skip
        return None
    texts = {h: pl.Series(h, [c[i].strip().strip('"') for c in cells], dtype=pl.String) for i, h in enumerate(header)}
    return _from_frame(file, pl.DataFrame(texts), form, problems, line_of)


def _from_parquet(file: str, content: bytes, form: TableForm, problems: Problems) -> Table | None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        opened = pq.ParquetFile(io.BytesIO(content))
        meta = opened.metadata
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if meta.num_rows > MAX_ROWS or size > MAX_FILE_BYTES:
            problems.add(f"{meta.num_rows} rows, {size / 1e6:.0f} MB when unpacked", "a smaller table", file=file)
            return None
        if not check_header(file, list(opened.schema_arrow.names), form, problems, line=None):
            return None
        frame = pl.from_arrow(opened.read())
    except (pa.ArrowException, pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError,
            MemoryError, OverflowError, TypeError, KeyError) as error:  # fmt: skip
        problems.add(f"a damaged Parquet file ({shown(str(error))[1:-1]})", "a readable Parquet file", file=file)
        return None
    assert isinstance(frame, pl.DataFrame)
    return _from_frame(file, frame, form, problems, lambda row: row + 1)


def _from_frame(
    file: str, frame: pl.DataFrame, form: TableForm, problems: Problems, line_of: Callable[[int], int]
) -> Table | None:
    if frame.height == 0:
        problems.add("a table without rows", "at least one row", file=file)
        return None
    if frame.height > MAX_ROWS:
        problems.add(f"{frame.height} rows", f"at most {MAX_ROWS}", file=file)
        return None
    before = len(problems.items)
    numbers = {c: _numbers(file, frame[c], problems, line_of) for c in frame.columns if c in form.numbers}
    words = {c: _words(file, frame[c], form.words[c], problems, line_of) for c in frame.columns if c in form.words}
    return Table(form, file, numbers, words, line_of) if len(problems.items) == before else None


def _numbers(file: str, column: pl.Series, problems: Problems, line_of: Callable[[int], int]) -> FloatArray:
    if column.dtype == pl.Float64 and column.null_count() == 0:
        return column.to_numpy()
    try:
        if column.dtype == pl.String:
            column = column.str.strip_chars().replace("", None)
        elif not column.dtype.is_numeric() and column.dtype != pl.Null:
            raise pl.exceptions.InvalidOperationError  # a boolean or a date is no number, though it casts to one
        cast = column.cast(pl.Float64, strict=False)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        problems.add(f"values of type {column.dtype}", "numbers", file=file, key=column.name)
        return np.zeros(len(column))
    bad = (cast.is_null() & column.is_not_null()).to_numpy()
    problems.add_rows(bad, lambda row: shown(column[row]), "a number", file=file, line_of=line_of, key=column.name)
    return cast.fill_null(np.nan).to_numpy()


def _words(
    file: str, column: pl.Series, known: tuple[str, ...], problems: Problems, line_of: Callable[[int], int]
) -> NDArray[np.int64]:
    if column.dtype == pl.Enum(known) and column.null_count() == 0:
        return column.to_physical().to_numpy()
    try:
        codes = column.cast(pl.String).cast(pl.Enum(known), strict=False).to_physical()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        problems.add(f"values of type {column.dtype}", f"one of {', '.join(known)}", file=file, key=column.name)
        return np.zeros(len(column), dtype=np.int64)
    bad = codes.is_null().to_numpy()
    problems.add_rows(bad, lambda row: shown(column[row]), f"one of {', '.join(known)}", file=file, line_of=line_of,
                      key=column.name)  # fmt: skip
    return codes.fill_null(0).to_numpy()
