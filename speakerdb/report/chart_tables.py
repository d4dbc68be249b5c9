"""The numbers behind a chart as a table to read: third octaves down, curves across."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid, programme

_EVERY_DEG = 30  # columns of a map
# Nominal mid-band frequencies, 20 Hz–20 kHz (IEC 61260-1, table of nominal frequencies; from memory)
_STEPS = (1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8)
NOMINAL_HZ = [m * 10.0**e for e in (1, 2, 3, 4) for m in _STEPS if 20 <= m * 10.0**e <= 20000]


@dataclass(frozen=True)
class Table:
    """Headings, and rows of text of which the first cell names the row."""

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


def over_frequency(
    frame: pl.DataFrame, on: str, value: str, name: Callable[[Any], str] = str, decimals: int = 1
) -> Table:
    """Rows at the third octaves, a column for each entry of `on` in the order in which they come. frame: on,
    frequency_hz, value; frequencies of the grid or of the third octaves."""
    entries = frame[on].unique(maintain_order=True).to_list()
    columns = []
    for entry in entries:
        mine = frame.filter(pl.col(on) == entry).select("frequency_hz", value)
        columns.append(_at_thirds(mine["frequency_hz"].to_numpy(), mine[value].cast(pl.Float64).to_numpy()))
    return _table([name(e) for e in entries], columns, decimals)


def of_map(angle_deg: Sequence[float], level_db: Any) -> Table:
    """A column every 30°. level_db (n, F) on the analysis grid."""
    chosen = sorted((float(a), i) for i, a in enumerate(angle_deg) if a % _EVERY_DEG == 0)
    names = [figures.joined(figures.plain(angle), "°") for angle, _ in chosen]
    return _table(names, [_at_thirds(grid.FREQUENCY_HZ, level_db[i]) for _, i in chosen], 1)


def _at_thirds(frequency_hz: Any, values: Any) -> list[float | None]:
    """The value at the measured frequency nearest to each third octave; None where none is within half of one."""
    if not len(frequency_hz):
        return [None] * len(programme.BANDS_HZ)
    away = np.abs(np.log2(np.asarray(frequency_hz)[None, :] / np.asarray(programme.BANDS_HZ)[:, None]))
    nearest = away.argmin(axis=1)
    found = np.asarray(values, float)[nearest]
    known = (away[np.arange(len(nearest)), nearest] < 1 / 6) & np.isfinite(found)
    return [float(v) if k else None for v, k in zip(found, known, strict=True)]


def _table(names: Sequence[str], columns: Sequence[Sequence[float | None]], decimals: int) -> Table:
    rows = [
        (figures.plain(hertz), *(figures.number(v, decimals) for v in values))
        for hertz, values in zip(NOMINAL_HZ, zip(*columns, strict=True), strict=False)
        if any(v is not None for v in values)
    ]
    return Table(("Hz", *names), rows)
