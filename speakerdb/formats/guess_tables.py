"""Guesses how a text table of another program is to be read."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from speakerdb.formats.columns import find_delimiter, without_groups
from speakerdb.formats.curves import SURELY_KHZ
from speakerdb.formats.judge import LOUDEST_DB, QUIETEST_DB, TURNS, are_radians, in_bands, wraps
from speakerdb.formats.keys import BLANK
from speakerdb.formats.name_readings import NameReading, choose, orbit_of
from speakerdb.formats.patterns import ORBIT_WORDS, SIGN_WORDS, same_form
from speakerdb.session import FloatArray

_WORDS = {
    "frequency_hz": ("freq", "frek", "fréq", "frec", "częst", "част", "周波", "频率", "hz"),
    "orbit": ("orbit", "plane", "ebene", "plan", "piano", "vlak", "achse", "axis"),
    "angle_deg": ("angle", "winkel", "angolo", "ángulo", "angul", "hoek", "azim", "theta", "deg", "grad", "角"),
    "elevation_deg": ("elev", "élév", "höhenw"),
    "phase_deg": ("phas", "fase", "faz", "位相", "相位"),
    "level_db": (
        "level",
        "spl",
        "pegel",
        "niveau",
        "livello",
        "nivel",
        "nivå",
        "db",
        "magn",
        "ampl",
        "druck",
        "press",
        "betrag",
        "音圧",
    ),
}
_DELIMITER_NAMES = {"\t": "tab", ";": ";", ",": ",", None: "space"}
_LOW_FOR_DB = 20.0  # levels that all lie between 0 and this are hardly dB
_ROWS_FOR_FORM = 400
_LEAST_ACROSS = 10  # frequencies that make headings of a row
_COMMENTS = "*#;!%"


def guess_table(text: str) -> dict[str, Any] | None:
    """The keys of [columns] for a text table; None where it holds no rows of numbers. Blanks are "?"."""
    every = [(i, row) for i, row in enumerate(text.split("\n")) if row.strip()]
    comment = every[0][1][0] if every and every[0][1][0] in _COMMENTS else None
    lines = [(i, row) for i, row in every if comment is None or not row.startswith(comment)]
    first = next((k for k, (_, row) in enumerate(lines) if _is_data(row)), None)
    if first is None:
        return None
    if first + 1 < len(lines) and _is_heading(lines[first][1]) and not _is_heading(lines[first + 1][1]):
        first += 1  # numbers under a word: a row of headings
    delimiter = find_delimiter(lines[first][1])
    if delimiter == "," and _spaced(lines[first][1]):
        delimiter = None
    rows = [_cells(row, delimiter) for _, row in lines[first:]]
    said: dict[str, Any] = {"delimiter": _DELIMITER_NAMES[delimiter]} | ({"comment": comment} if comment else {})
    if delimiter != "," and _has_decimal_commas(rows[:_ROWS_FOR_FORM]):
        said["decimal_comma"] = True
    units = first > 1 and _looks_like_units(_cells(lines[first - 1][1], delimiter))
    heading = first - 1 - units
    headings = _cells(lines[heading][1], delimiter) if heading >= 0 else []
    if abs(len(headings) - len(rows[0])) > 1:  # a remark, not headings
        said |= {"skip_rows": lines[first][0]} if first > 0 else {}
        return said | {"heading": False} | dict.fromkeys(("frequency_hz", "orbit", "angle_deg", "level_db"), BLANK)
    if lines[heading][0] > 0:
        said["skip_rows"] = lines[heading][0]
    if units:
        said["units_row"] = True
    named = _cells(lines[heading + 1][1], delimiter) if units else []
    across = _transposed(headings, rows)
    return said | (guess_columns(headings, named, rows) if across is None else across)


def _is_heading(row: str) -> bool:
    """Whether a line of numbers begins with a word."""
    cells = _cells(row, find_delimiter(row))
    return bool(cells) and _number(cells[0]) is None


def _has_decimal_commas(rows: Sequence[Sequence[str]]) -> bool:
    """Whether numbers have decimal commas: where some have points, commas group thousands."""
    cells = [cell for row in rows for cell in row]
    commas = any(re.fullmatch(r"[+-]?\d*,\d+(?:e[+-]?\d+)?", cell, re.IGNORECASE) for cell in cells)
    return commas and not any(re.fullmatch(r"[+-]?\d*\.\d+(?:e[+-]?\d+)?", cell, re.IGNORECASE) for cell in cells)


def _transposed(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, Any] | None:
    """The keys of a table whose headings are rising frequencies, with a curve in each row; None where they are none:
    angles across are few, or turn round, and frequencies span two decades."""
    across = [i for i, h in enumerate(headings) if h and h[0].isdigit()]
    separator = guess_thousands([headings[i] for i in across])
    values = [_number(without_groups(headings[i], separator) if separator else headings[i]) for i in across]
    if len(across) < _LEAST_ACROSS or len(across) < len(headings) - 6 or None in values:
        return None
    f = np.array(values, dtype=np.float64)
    if not ((np.diff(f) > 0).all() and f[0] > 0 and f[-1] / f[0] > 50):
        return None
    said: dict[str, Any] = {"transposed": True} | ({"thousands": separator} if separator else {})
    if f[-1] < SURELY_KHZ:
        said["frequency_unit"] = "kHz"
    other = [i for i in range(len(headings)) if i not in across]
    labels = [headings[i] for i in other]
    melted = [["100", *(row[i] for i in other), "80"] for row in rows if len(row) >= len(headings)]
    columns = guess_columns(["f", *labels, "level"], ["Hz", *[""] * len(labels), "dB"], melted)
    left = {k: v for k, v in columns.items() if k not in {"frequency_hz", "level_db", "level_unit"}}
    return said | left | _level_unit("", _numbers(rows, *across))


def guess_thousands(cells: Sequence[str]) -> str | None:
    """What groups the thousands of frequencies: some numbers are grouped, and those that are not lie below 1000."""
    for separator in (",", ".", "'"):
        grouped = [c for c in cells if without_groups(c, separator) != c]
        plain = [_number(c) for c in cells if without_groups(c, separator) == c]
        if grouped and plain and all(v is not None and v < 1000.0 for v in plain):
            values = [_number(without_groups(c, separator)) for c in grouped]
            if all(v is not None and v >= 1000.0 for v in values):
                return separator
    return None


def guess_columns(headings: Sequence[str], units: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, Any]:
    """Which heading is which of our columns, and the units that headings, units and values give away."""
    said: dict[str, Any] = {}
    labels = [f"{same_form(h)} {same_form(u)}" for h, u in itertools.zip_longest(headings, units, fillvalue="")]
    taken: set[int] = set()

    def find(column: str) -> int | None:
        for word in _WORDS[column]:
            for i, label in enumerate(labels):
                if i not in taken and word in label:
                    taken.add(i)
                    return i
        return None

    frequency = find("frequency_hz")
    said["frequency_hz"] = headings[frequency] if frequency is not None else BLANK
    if frequency is not None:
        cells = [row[frequency] for row in rows if frequency < len(row)]
        if separator := guess_thousands(cells):
            said["thousands"] = separator
            rows = [[*r[:frequency], without_groups(r[frequency], separator), *r[frequency + 1 :]] for r in rows]
        highest = max(_numbers(rows, frequency), default=0.0)
        if "khz" in labels[frequency] or 0 < highest < SURELY_KHZ:
            said["frequency_unit"] = "kHz"
    rest = [i for i, h in enumerate(headings) if i not in taken and h]
    wide = choose([[headings[i] for i in rest]], _curve_of(headings, rows, frequency)) if len(rest) >= 3 else None
    if wide is not None:
        clear = wide.rival is None and not wide.best.doubled and not wide.best.unclear
        said["wide"] = wide.best.pattern if clear else BLANK
        read = [i for i in rest if headings[i] in wide.best.found]
        return said | name_keys(wide.best) | _level_unit("", _numbers(rows, *read))
    elevation = find("elevation_deg") if any("azim" in label for label in labels) else None
    if elevation is not None:
        said["elevation_deg"] = headings[elevation]
    for column in ("orbit", "angle_deg", "phase_deg", "level_db"):
        if column == "orbit" and elevation is not None:
            continue
        index = find(column)
        if index is None and column == "orbit":
            index = _column_of_two_words(rows, taken)
        if index is not None:
            said[column] = headings[index]
            if column == "orbit":
                said |= orbit_keys(tuple(dict.fromkeys(same_form(r[index]) for r in rows if index < len(r))))
            elif column == "angle_deg":
                numbers = np.array(_numbers(rows, index))
                if are_radians(numbers):
                    said["angle_unit"], numbers = "rad", np.degrees(numbers)
                said |= angle_keys(float(np.abs(numbers).max(initial=0.0)))
            elif column == "level_db":
                said |= _level_unit(labels[index], _numbers(rows, index))
        elif column == "level_db":
            said[column] = BLANK
        elif column != "phase_deg":
            said["fixed"] = {**said.get("fixed", {}), column: BLANK}
    return said


def _column_of_two_words(rows: Sequence[Sequence[str]], taken: set[int]) -> int | None:
    """A column of cells that are one of two words: the orbits, whatever their names."""
    for i in range(max(map(len, rows), default=0)):
        words = {row[i] for row in rows if i < len(row)}
        if i not in taken and len(words) == 2 and all(_number(w) is None for w in words):
            taken.add(i)
            return i
    return None


def _numbers(rows: Sequence[Sequence[str]], *columns: int) -> list[float]:
    return [v for row in rows for i in columns if i < len(row) and (v := _number(row[i])) is not None]


def _level_unit(label: str, values: Sequence[float]) -> dict[str, str]:
    """The unit of levels where it is not dB; a blank where small values without a sign leave it open."""
    if "db" in label:
        return {}
    if re.search(r"\b(pa|pascal)\b", label):
        return {"level_unit": "Pa"}
    if re.search(r"lin|magn|betrag|ampl", label):
        return {"level_unit": "linear"}
    return {"level_unit": BLANK} if values and min(values) >= 0 and max(values) < _LOW_FOR_DB else {}


def trace_thousands(text: str) -> str | None:
    """What groups the thousands of the frequencies of a trace, where something does."""
    rows = [row.split() for row in text.replace(";", " ").split("\n")]
    return guess_thousands([row[0] for row in rows if len(row) >= 2 and row[0][0].isdigit()])


def trace_columns(text: str, values: FloatArray) -> dict[str, Any]:
    """Which number of a trace's lines is which, and in what unit, as far as its headings and its values (points,
    columns) tell; a blank where they leave it open."""
    first = next(i for i, row in enumerate(text.split("\n")) if _is_data(row))
    heading = text.split("\n")[first - 1].strip().lstrip(_COMMENTS + "/'\"") if first else ""
    delimiter = find_delimiter(heading)
    cells = [same_form(c) for c in (_cells(heading, delimiter) if delimiter else re.split(r"\s{2,}", heading.strip()))]
    if len(cells) != values.shape[1]:
        cells = [same_form(c) for c in heading.split()]
    labels = cells if len(cells) == values.shape[1] else [""] * values.shape[1]
    frequency = next((i for i, w in enumerate(labels) if any(x in w for x in _WORDS["frequency_hz"])), 0)
    rest = [i for i in range(len(labels)) if i != frequency]
    named = [i for i in rest if any(x in labels[i] for x in _WORDS["level_db"]) and not _is_other(labels[i])]
    likely = [i for i in rest if not _is_other(labels[i]) and not is_phase(values[:, i])]
    loud = [i for i in likely if QUIETEST_DB <= float(np.mean(values[:, i])) <= LOUDEST_DB]
    likely = loud if len(loud) == 1 else likely  # the others are no sound pressure levels
    said: dict[str, Any] = {}
    choice = named or likely
    level = choice[0] if choice else None
    if frequency != 0:
        said["frequency_column"] = frequency + 1
    if level != 1:
        said["level_column"] = BLANK if level is None else level + 1
    elif len(named) > 1 or (not named and len(likely) > 1):  # raw and smoothed, coherence and level
        said["level_column"] = BLANK
    if "khz" in labels[frequency] or 0 < values[:, frequency].max() < SURELY_KHZ:
        said["frequency_unit"] = "kHz"
    return said | (_level_unit(labels[level], values[:, level].tolist()) if level is not None else {})


def _is_other(label: str) -> bool:
    """Whether a heading names something that is no level."""
    return any(word in label for word in (*_WORDS["phase_deg"], "coh", "koh", "delay", "imped", "ohm", "thd", "dist"))


def is_phase(values: FloatArray) -> bool:
    """Whether numbers keep within a turn and jump from one of its ends to the other."""
    return any(bool(wraps(values[None], turn)[0]) for turn in TURNS)


def orbit_keys(words: Sequence[str]) -> dict[str, Any]:
    """orbit_words for words that a pattern does not know by itself; fixed.orbit as a blank where there are none."""
    if not words:
        return {"fixed": {"orbit": BLANK}}
    by_orbit = {o: [w for w in words if orbit_of(w) == o] for o in ("horizontal", "vertical")}
    if any(orbit_of(w) is None for w in words):  # the words themselves, to be sorted by hand
        return {"orbit_words": {o: by_orbit[o] or [BLANK, *words] for o in by_orbit}}
    return {} if set(words) <= set(ORBIT_WORDS) else {"orbit_words": {o: w for o, w in by_orbit.items() if w}}


def angle_keys(greatest: float) -> dict[str, Any]:
    return {"angle_range": "0-360"} if greatest > 180.05 else {}  # radians to four digits give 180.0004


def name_keys(reading: NameReading) -> dict[str, Any]:
    """What goes with a pattern: words for orbits and signs where a pattern does not know them by itself, and how the
    angles are counted."""
    fused = "{orbit}{sign}" in reading.pattern
    said = {} if fused else orbit_keys(reading.orbit_words)
    sides = [w for w in reading.sign_words if w not in SIGN_WORDS]
    if sides:  # left and right, of the speaker or of the listener; or words of their own
        said["sign_words"] = {side: [BLANK, *sides] for side in ("plus", "minus")}
    return said | angle_keys(reading.greatest_angle)


def in_db(values: FloatArray, unit: str | None) -> FloatArray:
    """Levels by which readings are compared: ratios, and numbers that may be some, as dB."""
    return values if unit in {None, "dB"} else 20.0 * np.log10(np.maximum(values, 1e-12))


def _curve_of(
    headings: Sequence[str], rows: Sequence[Sequence[str]], frequency: int | None
) -> Callable[[str], FloatArray | None]:
    """Gives the column under a heading in the judge's bands."""

    def numbers(column: int) -> FloatArray:
        cells = [_number(row[column]) if column < len(row) else None for row in rows]
        return np.array([np.nan if v is None else v for v in cells])

    f = numbers(frequency) if frequency is not None else None

    def level(heading: str) -> FloatArray | None:
        y = numbers(list(headings).index(heading))
        if f is None or np.isnan(f).any():
            return None
        f_hz = f * (1000.0 if f.max() < SURELY_KHZ else 1.0)
        order = np.argsort(f_hz, kind="stable")
        unit = _level_unit("", y.tolist()).get("level_unit")
        return np.asarray(in_bands(f_hz[order], in_db(y, unit)[None, order])[0])

    return level


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
