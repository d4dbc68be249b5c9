"""Other people's units and senses of rotation into ours."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.formats.curves import ON_ORBIT_DEG
from speakerdb.formats.problems import Problems
from speakerdb.formats.tables import CodeArray, Table
from speakerdb.session import FloatArray

_REFERENCE_PA = 20e-6


def to_ours(table: Table, said: Mapping[str, Any], problems: Problems) -> Table | None:
    """Convert a table's numbers from the units and angles that [columns] or [traces] declare."""
    before = len(problems.items)
    numbers = dict(table.numbers)
    if said.get("frequency_unit") == "kHz":
        numbers["frequency_hz"] = np.round(numbers["frequency_hz"] * 1000.0, 6)  # 0.0265 kHz is 26.5 Hz to the digit
    unit = said.get("level_unit", "dB")
    if "level_db" in numbers and unit == "percent":
        if table.form.name != "distortion":
            problems.add('"percent"', "dB, linear or Pa: percent is for distortion", file=table.file, key="level_unit")
            return None
        numbers["percent"] = numbers.pop("level_db")
    elif "level_db" in numbers and unit != "dB":
        numbers["level_db"] = _level_db(table, numbers["level_db"], unit, problems)
    keep = np.ones(len(numbers["frequency_hz"]), dtype=bool)
    words = dict(table.words)
    if said.get("angle_unit") == "rad":
        for column in {"angle_deg", "elevation_deg"} & set(numbers):
            numbers[column] = np.round(numbers[column] * (180.0 / np.pi), 2)  # as far as four digits of radians go
    if "elevation_deg" in numbers:
        numbers["angle_deg"], words["orbit"], keep = _on_orbits(table.file, numbers, said, problems)
        del numbers["elevation_deg"]
    if "angle_deg" in numbers:
        turned = dataclasses.replace(table, numbers=numbers, words=words)
        numbers["angle_deg"], open_ = _our_angle(turned, said, problems)
        keep &= open_
    if len(problems.items) > before:
        return None
    changed = Table(table.form, table.file, numbers, words, table.place)
    return changed if keep.all() else _only(changed, np.flatnonzero(keep))


def _level_db(table: Table, magnitude: FloatArray, unit: str, problems: Problems) -> FloatArray:
    table.refuse(problems, (magnitude < 0) | np.isinf(magnitude), "level_db", "a magnitude, not below 0")
    if (magnitude == 0).any():
        problems.warn(f"{table.file}: magnitudes of exactly 0 count as not measured")
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.round(20.0 * np.log10(magnitude / (_REFERENCE_PA if unit == "Pa" else 1.0)), 9)
    return np.where(magnitude > 0, level, np.nan)


def _on_orbits(
    file: str, numbers: Mapping[str, FloatArray], said: Mapping[str, Any], problems: Problems
) -> tuple[FloatArray, CodeArray, NDArray[np.bool_]]:
    """Azimuth and elevation as angle and orbit, and which rows lie on one. The axis that stands twice is the vertical
    orbit's the second time."""
    azimuth, elevation = numbers["angle_deg"], numbers["elevation_deg"]
    around = (azimuth + 180.0) % 360.0 - 180.0  # 350 is -10
    level, upright = np.abs(elevation) <= ON_ORBIT_DEG, np.abs(around) <= ON_ORBIT_DEG
    behind = np.abs(np.abs(around) - 180.0) <= ON_ORBIT_DEG
    order = np.lexsort((numbers["frequency_hz"], elevation, around))  # stable: the first comes first
    f, e, a = numbers["frequency_hz"][order], elevation[order], around[order]
    again = np.zeros(len(azimuth), dtype=bool)
    again[order[1:]] = (f[1:] == f[:-1]) & (e[1:] == e[:-1]) & (a[1:] == a[:-1])
    horizontal = level & ~(again & (upright | behind))
    over = np.where(elevation >= 0, 180.0, -180.0) - elevation
    angle = np.where(horizontal, azimuth, np.where(upright, elevation, over))
    if said.get("angle_range") == "0-360":
        angle = np.where(horizontal, angle, angle % 360.0)
    keep = level | upright | behind
    if not keep.all():
        problems.warn(f"{file}: {np.count_nonzero(~keep)} rows lie on neither orbit and are not used")
    return angle, np.where(horizontal, 0, 1), keep


def _our_angle(table: Table, said: Mapping[str, Any], problems: Problems) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Angles from -180 to 180, counter-clockwise and upward, and which rows to keep."""
    angle = table.numbers["angle_deg"]
    horizontal = table.words["orbit"] == 0
    keep = np.ones(len(angle), dtype=bool)
    if said.get("angle_range") == "0-360":
        table.refuse(
            problems, ~((angle >= 0) & (angle <= 360)), "angle_deg", 'an angle from 0 to 360 (angle_range = "0-360")'
        )
        for orbit in (horizontal, ~horizontal):
            closing = orbit & (angle == 360.0)
            if closing.any() and (orbit & (angle == 0.0)).any():
                keep &= ~closing
                problems.warn(f"{table.file}: 0° and 360° are the same direction; the curve at 360° is not used")
        angle = np.where(angle > 180.0, angle - 360.0, angle)
    turned = (horizontal & (said.get("angle_sense") == "clockwise")) | (
        ~horizontal & (said.get("vertical_positive") == "down")
    )
    return np.where(turned, -angle, angle) + 0.0, keep


def _only(table: Table, rows: NDArray[np.intp]) -> Table:
    place = table.place
    words: dict[str, CodeArray] = {k: v[rows] for k, v in table.words.items()}
    return Table(
        table.form, table.file, {k: v[rows] for k, v in table.numbers.items()}, words, lambda row: place(int(rows[row]))
    )


def joined(tables: list[Table]) -> Table:
    """Tables of one form, one under the other; columns are those that all of them have."""
    starts = np.cumsum([0, *(len(t.numbers["frequency_hz"]) for t in tables)])

    def place(row: int) -> tuple[str, int | None]:
        i = int(np.searchsorted(starts, row, side="right")) - 1
        return tables[i].place(row - int(starts[i]))

    first = tables[0]
    shared = [c for c in first.numbers if all(c in t.numbers for t in tables)]
    numbers = {c: np.concatenate([t.numbers[c] for t in tables]) for c in shared}
    words: dict[str, CodeArray] = {c: np.concatenate([t.words[c] for t in tables]) for c in first.words}
    return Table(first.form, first.file, numbers, words, place)
