"""Responses as text traces, one curve a file: lines of frequency, level and perhaps phase."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from speakerdb.formats.columns import without_groups
from speakerdb.formats.conventions import joined, to_ours
from speakerdb.formats.decoding import decode
from speakerdb.formats.patterns import Pattern, compile_pattern, words_of
from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.tables import MAX_TEXT, ORBITS, RESPONSES, Table, unpack
from speakerdb.formats.view import FolderView
from speakerdb.session import FloatArray

TRACE_FOLDER = "responses/"
# names that need no [traces]: the folder responses/ beside session.toml
USUAL_PATTERNS = tuple(
    TRACE_FOLDER + name
    for name in ("{orbit}_{angle}.*", "{orbit}_{angle}deg.*", "{orbit}{angle}.*", "{orbit} {angle}.*")
)
_COMMENTS = ("*", "#", ";", "!", "%", "/", '"', "'")
_NAMES_SHOWN = 3


def trace_files(view: FolderView, said: Mapping[str, Any]) -> list[tuple[str, dict[str, float]]]:
    """Files whose names fit the pattern, with the orbit and angle that stand in them. Raises ValueError for a bad
    pattern."""
    for pattern in patterns_of(said):
        names = [n for n in view.names if not n.endswith(".toml")]
        found = [(name, values) for name in names if (values := pattern.match(name)) is not None]
        if found:
            return found
    return []


def patterns_of(said: Mapping[str, Any]) -> list[Pattern]:
    words = words_of(said)
    texts: Sequence[str] = (said["pattern"],) if "pattern" in said else USUAL_PATTERNS
    return [compile_pattern(text, words) for text in texts]


def read_traces(
    view: FolderView, files: Sequence[tuple[str, dict[str, float]]], said: Mapping[str, Any], problems: Problems
) -> Table | None:
    """Read the trace files into one responses table; None with problems noted."""
    tables, before = [], len(problems.items)
    fixed = said.get("fixed", {})
    for name, values in files:
        angle = values.get("angle_deg", fixed.get("angle_deg"))
        elevation = values.get("elevation_deg")
        orbit = values.get("orbit", ORBITS.index(fixed["orbit"]) if "orbit" in fixed else None)
        orbit = 0 if elevation is not None else orbit  # told by both angles, later
        if angle is None or orbit is None:
            missing = "angle" if angle is None else "orbit"
            column = "angle_deg" if angle is None else "orbit"
            problems.add(
                f"no {missing} in the name", f"{{{missing}}} in traces.pattern, or traces.fixed.{column}", file=name
            )
            return None
        content = view.read(name, problems)
        if content is not None and name.lower().endswith(".gz"):
            content = unpack(name, content, problems)
        text = decode(name, content, said.get("encoding"), problems) if content is not None else None
        trace = parse_trace(name, text, said, problems) if text is not None else None
        if trace is not None:
            tables.append(_table(name, trace, int(orbit), float(angle), elevation))
    if not tables or len(problems.items) > before:
        return None
    return to_ours(joined(tables), said, problems)


@dataclass(frozen=True, eq=False)
class Trace:
    """One curve as the file has it: frequency and level (F,), and the line of each point."""

    frequency: FloatArray
    level: FloatArray
    lines: list[int]


def _table(name: str, trace: Trace, orbit: int, angle: float, elevation: float | None) -> Table:
    """One curve as rows; with an elevation, orbit and angle are told by both angles later."""
    count = len(trace.frequency)
    numbers = {
        "frequency_hz": trace.frequency,
        "angle_deg": np.full(count, angle),
        "level_db": trace.level,
        **({} if elevation is None else {"elevation_deg": np.full(count, elevation)}),
    }
    return Table(RESPONSES, name, numbers, {"orbit": np.full(count, orbit)}, lambda row: (name, trace.lines[row]))


def parse_trace(name: str, text: str, said: Mapping[str, Any], problems: Problems) -> Trace | None:
    """Find the numbers in a trace file: what stands above the first line of numbers is heading."""
    rows = parse_rows(name, text, said, problems)
    if rows is None:
        return None
    values, lines = rows
    at = [said.get(key, usual) - 1 for key, usual in (("frequency_column", 1), ("level_column", 2))]
    for key, index in zip(("frequency_column", "level_column"), at, strict=True):
        if index >= values.shape[1]:
            problems.add(f"{values.shape[1]} columns", f"a column {index + 1} (traces.{key})", file=name, key=key)
            return None
    return Trace(values[:, at[0]].copy(), values[:, at[1]].copy(), lines)


def parse_rows(
    name: str, text: str, said: Mapping[str, Any], problems: Problems
) -> tuple[FloatArray, list[int]] | None:
    """All numbers of a trace file (points, columns), and the line of each point."""
    if len(text) > MAX_TEXT:
        problems.add(f"a trace of {len(text) / 1e6:.0f} MB", f"at most {MAX_TEXT // 10**6} MB of text", file=name)
        return None
    lines = text.split("\n")
    if "thousands" in said:
        lines = [_ungrouped(line, said["thousands"], said.get("frequency_column", 1)) for line in lines]
    comments = (*_COMMENTS, said["comment"]) if "comment" in said else _COMMENTS
    comma = said.get("decimal_comma")
    start, normal = _first_numbers(lines, comments, comma)
    if normal is None:
        problems.add("no line of numbers", "lines of frequency, level and perhaps phase", file=name)
        return None
    kept = [i for i in range(start, len(lines)) if (row := lines[i].strip()) and not row.startswith(comments)]
    width = len(normal(lines[start]).split())
    cells = normal("\n".join(lines[i] for i in kept)).split()
    if len(cells) != width * len(kept) or "_" in text:
        _refuse_lines(name, lines, kept, width, normal, problems)
        return None
    try:
        values = np.array(list(map(float, cells))).reshape(-1, width)
    except ValueError:
        _refuse_lines(name, lines, kept, width, normal, problems)
        return None
    return values, [i + 1 for i in kept]


def _ungrouped(line: str, separator: str, column: int) -> str:
    """A line whose frequency is written without separators of thousands."""
    parts = re.split(r"([\s;]+)", line.strip())  # cells at even places
    at = 2 * (column - 1)
    if at < len(parts):
        parts[at] = without_groups(parts[at], separator)
    return "".join(parts)


Normal = Callable[[str], str]  # a line or more with its cells set apart by white space and decimal points


def _first_numbers(lines: list[str], comments: tuple[str, ...], comma: bool | None) -> tuple[int, Normal | None]:
    for i, line in enumerate(lines):
        row = line.strip()
        if row and not row.startswith(comments):
            normal = _normal_form(row, comma)
            if len(cells := normal(row).split()) >= 2 and all(map(_is_number, cells)):
                return i, normal
    return 0, None


def _normal_form(row: str, comma: bool | None) -> Normal:
    """How cells are set apart in this line: semicolon, white space, or comma; and whether commas are decimal."""
    if ";" in row:
        return lambda t: t.replace(",", ".").replace(";", " ")
    cells = row.split()
    if comma is False or (len(cells) == 1 and not comma):
        return lambda t: t.replace(",", " ")
    if any(c.endswith(",") for c in cells):
        return lambda t: re.sub(r",(?=\s)", " ", t).replace(",", ".")
    return lambda t: t.replace(",", ".")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return "_" not in cell


def _refuse_lines(name: str, lines: list[str], kept: list[int], width: int, normal: Normal, problems: Problems) -> None:
    bad = np.array([not _is_row(normal(lines[i]).split(), width) for i in kept], dtype=bool)
    problems.add_rows(
        bad,
        lambda row: shown(lines[kept[row]].strip()),
        f"{width} numbers as in the lines above, or a comment that begins with {' '.join(_COMMENTS)}",
        place=lambda row: (name, kept[row] + 1),
        key="numbers",
    )
    if not bad.any():
        problems.add("cells that run into each other", f"{width} numbers in each line", file=name)


def _is_row(cells: list[str], width: int) -> bool:
    return len(cells) == width and all(map(_is_number, cells))


def explain_no_match(view: FolderView, said: Mapping[str, Any], problems: Problems, rival: str = "") -> None:
    """Note that no file fits the pattern, naming a few that are there; rival: what would fit them."""
    names = [n for n in view.names if not n.endswith(".toml")]
    some = ", ".join(map(shown, names[:_NAMES_SHOWN])) + (" …" if len(names) > _NAMES_SHOWN else "")
    wanted = said.get("pattern") or f"{TRACE_FOLDER}h_30.txt (or [traces] with `pattern` in folder.toml)"
    problems.add(
        f"no trace file of that name (there is: {some or 'nothing'})",
        f"files named like {wanted}" + (f"; {rival} would fit" if rival else ""),
        key="traces.pattern",
    )
