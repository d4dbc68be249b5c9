"""Guesses how a text table of another program is to be read."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from speakerdb.formats.columns import find_delimiter
from speakerdb.formats.guess_names import guess_pattern, orbit_of
from speakerdb.formats.patterns import same_form

_WORDS = {
    "frequency_hz": ("freq", "frek", "fréq", "frec", "częst", "част", "周波", "频率", "hz"),
    "orbit": ("orbit", "plane", "ebene", "plan", "piano", "vlak", "achse", "axis"),
    "angle_deg": ("angle", "winkel", "angolo", "ángulo", "angul", "hoek", "azim", "theta", "deg", "grad", "角"),
    "phase_deg": ("phas", "fase", "faz", "位相", "相位"),
    "level_db": ("level", "spl", "pegel", "niveau", "livello", "nivel", "nivå", "db", "magn", "ampl", "druck", "press", "betrag", "音圧"),
}  # fmt: skip
_DELIMITER_NAMES = {"\t": "tab", ";": ";", ",": ",", None: "space"}
_SURELY_KHZ = 30.0


def guess_table(text: str) -> dict[str, Any] | None:
    """The keys of [columns] for a text table; None where it is no table with headings. Blanks are "?"."""
    lines = [(i, row) for i, row in enumerate(text.split("\n")) if row.strip()]
    first = next((k for k, (_, row) in enumerate(lines) if _is_data(row)), None)
    if first is None or first == 0:
        return None
    delimiter = find_delimiter(lines[first][1])
    if delimiter == "," and ";" not in lines[first][1] and "\t" not in lines[first][1] and _spaced(lines[first][1]):
        delimiter = None
    heading = first - 1
    units = heading > 0 and _looks_like_units(_cells(lines[heading][1], delimiter))
    heading -= units
    headings = _cells(lines[heading][1], delimiter)
    rows = [_cells(row, delimiter) for _, row in lines[first : first + 400]]
    said: dict[str, Any] = {"delimiter": _DELIMITER_NAMES[delimiter]}
    if lines[heading][0] > 0:
        said["skip_rows"] = lines[heading][0]
    if units:
        said["units_row"] = True
    if delimiter != "," and any("," in cell for row in rows for cell in row):
        said["decimal_comma"] = True
    named = _cells(lines[heading + 1][1], delimiter) if units else [""] * len(headings)
    return said | _columns(headings, named, rows)


def _columns(headings: Sequence[str], units: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, Any]:
    said: dict[str, Any] = {}
    labels = [f"{same_form(h)} {same_form(u)}" for h, u in zip(headings, [*units, *[""] * len(headings)], strict=False)]
    taken: set[int] = set()

    def find(column: str) -> int | None:
        for word in _WORDS[column]:
            for i, label in enumerate(labels):
                if i not in taken and word in label:
                    taken.add(i)
                    return i
        return None

    frequency = find("frequency_hz")
    said["frequency_hz"] = headings[frequency] if frequency is not None else "?"
    if frequency is not None:
        values = [v for row in rows if frequency < len(row) and (v := _number(row[frequency])) is not None]
        if "khz" in labels[frequency] or (values and max(values) < _SURELY_KHZ):
            said["frequency_unit"] = "kHz"
    rest = [h for i, h in enumerate(headings) if i not in taken and h]
    wide = guess_pattern(rest) if len(rest) >= 3 else None
    if wide is not None:
        said["wide"] = wide.pattern
        said |= orbit_keys(wide.orbit_words) | angle_keys(wide.greatest_angle)
        return said
    for column in ("orbit", "angle_deg", "phase_deg", "level_db"):
        index = find(column)
        if index is not None:
            said[column] = headings[index]
        elif column in {"level_db"}:
            said[column] = "?"
        elif column in {"orbit", "angle_deg"}:
            said.setdefault("fixed", {})[column] = "?"
        if index is not None and column == "orbit":
            said |= orbit_keys(tuple(dict.fromkeys(same_form(r[index]) for r in rows if index < len(r))))
        if index is not None and column == "angle_deg":
            angles = [abs(v) for r in rows if index < len(r) and (v := _number(r[index])) is not None]
            said |= angle_keys(max(angles, default=0.0))
        if index is not None and column == "level_db":
            said |= _level_unit(labels[index])
    return said


def _level_unit(label: str) -> dict[str, str]:
    if "db" in label:
        return {}
    if re.search(r"\b(pa|pascal)\b", label):
        return {"level_unit": "Pa"}
    return {"level_unit": "linear"} if re.search(r"lin|magn|betrag|ampl|druck|press", label) else {}


def orbit_keys(words: Sequence[str]) -> dict[str, Any]:
    """orbit_words for words that a pattern does not know by itself; fixed.orbit as a blank where there are none."""
    if not words:
        return {"fixed": {"orbit": "?"}}
    by_orbit = {o: [w for w in words if orbit_of(w) == o] for o in ("horizontal", "vertical")}
    if any(orbit_of(w) is None for w in words):
        return {"orbit_words": {o: by_orbit[o] or ["?"] for o in by_orbit}}
    plain = {"h", "hor", "horiz", "horizontal", "v", "ver", "vert", "vertical"}
    return {} if set(words) <= plain else {"orbit_words": {o: w for o, w in by_orbit.items() if w}}


def angle_keys(greatest: float) -> dict[str, Any]:
    return {"angle_range": "0-360"} if greatest > 180.0 else {}


def _cells(row: str, delimiter: str | None) -> list[str]:
    return [c.strip().strip('"') for c in (row.split(delimiter) if delimiter else row.split())]


def _number(cell: str) -> float | None:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def _is_data(row: str) -> bool:
    """Whether a line holds two numbers or more, and nothing but numbers and few words."""
    cells = _cells(row, find_delimiter(row))
    if len(cells) == 1 or (find_delimiter(row) == "," and _spaced(row)):
        cells = row.split()
    filled = [c for c in cells if c]
    numbers = sum(_number(c) is not None for c in filled)
    return numbers >= 2 and numbers >= len(filled) - 1


def _spaced(row: str) -> bool:
    """Whether cells stand apart by white space, commas being decimal."""
    return len(row.split()) >= 2 and not any(c.endswith(",") for c in row.split())


def _looks_like_units(cells: Sequence[str]) -> bool:
    units = {
        "hz",
        "khz",
        "db",
        "deg",
        "grad",
        "°",
        "pa",
        "lin",
        "linear",
        "ohm",
        "ω",
        "%",
        "v",
        "w",
        "db spl",
        "dbspl",
        "-",
        "",
    }
    filled = [same_form(c).strip("[]()") for c in cells]
    return any(filled) and all(c in units for c in filled)
