"""Tables from bytes: CSV, gzipped CSV and Parquet into plain float arrays, each defect with its line."""

from __future__ import annotations

import difflib
import io
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.files import MAX_FILE_BYTES
from speakerdb.formats.problems import Place, Problems, shown
from speakerdb.formats.view import FolderView
from speakerdb.session import FloatArray
from speakerdb.terms import COMPONENTS

MAX_ROWS = 10_000_000
MAX_TEXT = 40_000_000  # characters of a table or a trace whose cells are taken apart one by one
TABLE_SUFFIXES = (".csv", ".csv.gz", ".parquet")
ORBITS = ("horizontal", "vertical")

CodeArray = NDArray[np.integer[Any]]


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


RESPONSES = TableForm(
    "responses",
    ("frequency_hz", "angle_deg", "level_db", "phase_deg"),
    {"orbit": ORBITS},
    ("frequency_hz", "orbit", "angle_deg", "level_db"),
)
DISTORTION = TableForm(
    "distortion",
    ("drive_db", "frequency_hz", "level_db", "percent"),
    {"component": COMPONENTS},
    ("drive_db", "frequency_hz", "component"),
)
COMPRESSION = TableForm(
    "compression", ("drive_db", "frequency_hz", "level_db"), {}, ("drive_db", "frequency_hz", "level_db")
)
IMPEDANCE = TableForm(
    "impedance", ("frequency_hz", "magnitude_ohm", "phase_deg"), {}, ("frequency_hz", "magnitude_ohm")
)

FORMS = (RESPONSES, DISTORTION, COMPRESSION, IMPEDANCE)


@dataclass(frozen=True, eq=False)
class Table:
    """Columns of one table, N rows each. Words are codes into the form's list; NaN marks an empty cell."""

    form: TableForm
    file: str
    numbers: dict[str, FloatArray]
    words: dict[str, CodeArray]
    place: Place

    def refuse(self, problems: Problems, bad: NDArray[np.bool_], column: str, expected: str) -> bool:
        """Note the rows marked bad, with the value that stands there; tells whether there were any."""
        values = self.numbers[column]

        def describe(row: int) -> str:
            return "an empty cell" if np.isnan(values[row]) else f"{values[row]:g}"

        return problems.add_rows(bad, describe, expected, place=self.place, key=column)


def find_table(view: FolderView, name: str, suffixes: Sequence[str], problems: Problems) -> str | None:
    """The one file of a table, by its name; two files of the same table are a defect."""
    found = [name + s for s in suffixes if name + s in view.names]
    if len(found) > 1:
        problems.add(
            f"two files of one table: {', '.join(found)}",
            f"only one of {', '.join(name + s for s in suffixes)}",
            file=found[1],
        )
        return None
    return found[0] if found else None


def read_table(view: FolderView, file: str, form: TableForm, problems: Problems) -> Table | None:
    """Read a table in the plain form; None with problems noted."""
    content = view.read(file, problems)
    if content is None:
        return None
    if file.endswith(".parquet"):
        frame = parquet_frame(file, content, problems)
        if frame is None or not check_header(file, frame.columns, form, problems, line=None):
            return None
        return table_of(file, frame, form, problems, lambda row: (file, row + 1))
    if file.endswith(".gz"):
        content = unpack(file, content, problems)
    return _from_csv(file, content, form, problems) if content is not None else None


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


def check_header(file: str, header: Sequence[str], form: TableForm, problems: Problems, line: int | None = 1) -> bool:
    """Whether the headings are those of the form; notes unknown, doubled and missing ones."""
    before = len(problems.items)
    for name in dict.fromkeys(header):
        if name not in form.columns:
            near = difflib.get_close_matches(name, form.columns, 1, 0.5)
            expected = f"perhaps {near[0]}" if near else f"columns {', '.join(form.columns)}"
            expected += "; other headings are mapped by [columns] in folder.toml"
            problems.add(f"unknown column {shown(name)}", expected, file=file, line=line)
        elif list(header).count(name) > 1:
            problems.add(f"column {name} twice", "each column once", file=file, line=line, key=name)
    for name in form.required:
        if name not in header:
            problems.add(f"no column {name}", f"columns {', '.join(form.required)}", file=file, line=line, key=name)
    if form is DISTORTION and ("level_db" in header) == ("percent" in header):
        found = "both level_db and percent" if "percent" in header else "neither level_db nor percent"
        problems.add(found, "one of the two", file=file, line=line)
    return len(problems.items) == before


def _from_csv(file: str, content: bytes, form: TableForm, problems: Problems) -> Table | None:
    content = content.removeprefix(b"\xef\xbb\xbf")
    if not content[:100].strip() and not content.strip():
        problems.add("an empty file", f"columns {', '.join(form.required)}", file=file)
        return None
    end = content.find(b"\n")
    first = content if end < 0 else content[:end]
    try:
        header = [h.strip().strip('"') for h in first.decode("utf-8").split(",")]
    except UnicodeDecodeError:
        _not_utf8(file, 1, problems)
        return None
    if not check_header(file, header, form, problems):
        return None
    types: dict[str, Any] = {h: pl.Enum(form.words[h]) if h in form.words else pl.Float64 for h in header}
    try:
        frame = pl.read_csv(content, schema=types, has_header=True)
        troubled = any(column.null_count() for column in frame.get_columns())
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        troubled = True
    if troubled:
        return _from_troubled_csv(file, content, header, form, problems)
    return table_of(file, frame, form, problems, lambda row: (file, row + 2))


def _not_utf8(file: str, line: int, problems: Problems) -> None:
    problems.add(
        "bytes that are not UTF-8 text",
        "a CSV file in UTF-8; other encodings are named under [columns] in folder.toml",
        file=file,
        line=line,
    )


def _from_troubled_csv(
    file: str, content: bytes, header: list[str], form: TableForm, problems: Problems
) -> Table | None:
    """The careful way for a file with empty or bad cells: all as text first, so that each defect has its line."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        _not_utf8(file, content.count(b"\n", 0, error.start) + 1, problems)
        return None
    if len(text) > MAX_TEXT:
        expected = "a table without empty or bad cells, or Parquet"
        problems.add(f"empty or bad cells in a table of {len(text) / 1e6:.0f} MB", expected, file=file)
        return None
    lines = text.split("\n")[1:]
    kept = [i for i, row in enumerate(lines) if row.strip()]
    cells = [lines[i].split(",") for i in kept]

    def place(row: int) -> tuple[str, int]:
        return file, kept[row] + 2

    odd = np.array([len(c) != len(header) for c in cells], dtype=bool)
    expected = f"{len(header)} cells as in the heading"
    if problems.add_rows(odd, lambda row: f"{len(cells[row])} cells", expected, place=place, key="cells"):
        return None
    texts = {h: pl.Series(h, [c[i].strip().strip('"') for c in cells], dtype=pl.String) for i, h in enumerate(header)}
    return table_of(file, pl.DataFrame(texts), form, problems, place)


def parquet_frame(file: str, content: bytes, problems: Problems) -> pl.DataFrame | None:
    """A Parquet file as a frame; None with a problem noted where it is damaged or too large.

    What counts is its size when unpacked: repeated values take no room in the file and all of it in memory.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        opened = pq.ParquetFile(io.BytesIO(content))
        schema, meta = opened.schema_arrow, opened.metadata
        odd = [f for f in schema if not _is_flat(f.type)]
        for f in odd:
            problems.add(f"values of type {shown(str(f.type))[1:-1]}", "numbers or words", file=file, key=f.name)
        if odd:
            return None
        words = [f.name for f in schema if pa.types.is_string(f.type) or pa.types.is_large_string(f.type)]
        encoded = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        size = max(encoded, meta.num_rows * 8 * (len(schema.names) - len(words)))
        if meta.num_rows > MAX_ROWS or size > MAX_FILE_BYTES:
            problems.add(f"{meta.num_rows} rows, {size / 1e6:.0f} MB when unpacked", "a smaller table", file=file)
            return None
        table = pq.ParquetFile(io.BytesIO(content), read_dictionary=words).read()
        table.validate(full=True)  # words that are not UTF-8, offsets that point nowhere
        size = sum(_spelt_out(table[name]) for name in words)
        if size > MAX_FILE_BYTES:
            problems.add(f"words of {size / 1e6:.0f} MB when unpacked", "a smaller table", file=file)
            return None
        plain = [pa.field(f.name, pa.string()) if f.name in words else f for f in schema]
        frame = pl.from_arrow(table.cast(pa.schema(plain)))
    except (
        pa.ArrowException,
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
        OSError,
        ValueError,
        MemoryError,
        OverflowError,
        TypeError,
        KeyError,
    ) as error:
        problems.add(f"a damaged Parquet file ({shown(str(error))[1:-1]})", "a readable Parquet file", file=file)
        return None
    assert isinstance(frame, pl.DataFrame)
    return frame


def _is_flat(kind: Any) -> bool:
    import pyarrow as pa

    return not (pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind))


def _spelt_out(column: Any) -> int:
    """Bytes of a column of words when each is written out."""
    import pyarrow as pa
    import pyarrow.compute as pc

    total = 0
    for chunk in column.chunks:
        if pa.types.is_dictionary(chunk.type):
            lengths = pc.binary_length(chunk.dictionary).to_numpy(zero_copy_only=False)
            indices = chunk.indices.drop_null().to_numpy(zero_copy_only=False)
            total += int(np.nan_to_num(lengths)[indices].sum()) if len(indices) else 0
        else:
            total += int(pc.sum(pc.binary_length(chunk)).as_py() or 0)
    return total


def table_of(file: str, frame: pl.DataFrame, form: TableForm, problems: Problems, place: Place) -> Table | None:
    """Check the types of a frame whose columns have our names; None with problems noted."""
    if frame.height == 0:
        problems.add("a table without rows", "at least one row", file=file)
        return None
    if frame.height > MAX_ROWS:
        problems.add(f"{frame.height} rows", f"at most {MAX_ROWS}", file=file)
        return None
    before = len(problems.items)
    numbers = {c: numbers_of(file, frame[c], problems, place) for c in frame.columns if c in form.numbers}
    words = {c: _words_of(file, frame[c], form.words[c], problems, place) for c in frame.columns if c in form.words}
    return Table(form, file, numbers, words, place) if len(problems.items) == before else None


def numbers_of(file: str, column: pl.Series, problems: Problems, place: Place) -> FloatArray:
    """A column as float64, NaN where empty; cells that are no numbers are noted."""
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
    problems.add_rows(bad, lambda row: shown(column[row]), "a number", place=place, key=column.name)
    return cast.fill_null(np.nan).to_numpy()


def _words_of(file: str, column: pl.Series, known: tuple[str, ...], problems: Problems, place: Place) -> CodeArray:
    if column.dtype == pl.Enum(known) and column.null_count() == 0:
        return column.to_physical().to_numpy()
    expected = f"one of {', '.join(known)}"
    try:
        codes = column.cast(pl.String).cast(pl.Enum(known), strict=False).to_physical()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        problems.add(f"values of type {column.dtype}", expected, file=file, key=column.name)
        return np.zeros(len(column), dtype=np.int64)
    problems.add_rows(
        codes.is_null().to_numpy(), lambda row: shown(column[row]), expected, place=place, key=column.name
    )
    return codes.fill_null(0).to_numpy()
