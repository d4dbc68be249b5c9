"""Distortion, compression and impedance rows into sweeps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.formats.curves import MAX_LEVEL_DB, check_frequency, check_level
from speakerdb.formats.problems import Problems
from speakerdb.formats.tables import Table
from speakerdb.session import FloatArray, Impedance, Sweep
from speakerdb.terms import COMPONENTS

LOWEST_DISTORTION_DB = -160.0  # stands for 0 %: less than any device shows
MAX_OHM = 1e6


def distortion_of(table: Table, problems: Problems) -> tuple[Sweep, ...]:
    """Distortion sweeps, dB re the fundamental."""
    if "percent" in table.numbers:
        percent = table.numbers["percent"]
        bad = (percent < 0) | (percent > 100)
        ok = not table.refuse(problems, bad, "percent", "distortion from 0 to 100 percent")
        if ok and np.isnan(percent).all():
            problems.add("no value in any row", "distortion in percent", file=table.file, key="percent")
            ok = False
        with np.errstate(divide="ignore", invalid="ignore"):
            level = np.maximum(20.0 * np.log10(percent / 100.0), LOWEST_DISTORTION_DB)
    else:
        level = table.numbers["level_db"]
        ok = check_level(table, problems)
        bad = (level > 0) & (level <= MAX_LEVEL_DB)
        ok = (
            not table.refuse(problems, bad, "level_db", "distortion in dB re the fundamental, at most 0 (100 percent)")
            and ok
        )
    return _sweeps(table, level, ok, problems)


def compression_of(table: Table, problems: Problems) -> tuple[Sweep, ...]:
    """Compression sweeps: the on-axis level at each drive."""
    return _sweeps(table, table.numbers["level_db"], check_level(table, problems), problems)


def _sweeps(table: Table, level: FloatArray, ok: bool, problems: Problems) -> tuple[Sweep, ...]:
    ok = check_frequency(table, problems) and ok
    drive = table.numbers["drive_db"]
    good = np.abs(drive) <= MAX_LEVEL_DB
    ok = (
        not table.refuse(problems, ~good, "drive_db", f"a drive between {-MAX_LEVEL_DB:g} and {MAX_LEVEL_DB:g} dB")
        and ok
    )
    if not ok:
        return ()
    f = table.numbers["frequency_hz"]
    component = table.words.get("component", np.zeros(len(f), dtype=np.int64))
    order = np.lexsort((f, drive, component))
    f, drive, part, level = f[order], drive[order], component[order], level[order]
    new = np.concatenate(([True], (part[1:] != part[:-1]) | (drive[1:] != drive[:-1])))
    if _refuse_doubled(
        table, order, ~new[1:] & (f[1:] == f[:-1]), "each drive, component and frequency once", problems
    ):
        return ()
    starts = np.flatnonzero(new)
    named = "component" in table.words
    return tuple(
        Sweep(float(drive[i]), COMPONENTS[part[i]] if named else None, f[i:j].copy(), level[i:j].copy())
        for i, j in zip(starts, np.append(starts[1:], len(f)), strict=True)
        if not np.isnan(level[i:j]).all()
    )


def _refuse_doubled(
    table: Table, order: NDArray[np.int64], doubled: NDArray[np.bool_], expected: str, problems: Problems
) -> bool:
    marked = np.zeros(len(order), dtype=bool)
    marked[order[1:][doubled]] = True
    f = table.numbers["frequency_hz"]
    return problems.add_rows(
        marked, lambda row: f"{f[row]:g} Hz a second time", expected, place=table.place, key="frequency_hz"
    )


def impedance_of(table: Table, problems: Problems) -> Impedance | None:
    """The impedance curve."""
    ok = check_frequency(table, problems)
    ohm = table.numbers["magnitude_ohm"]
    bad = (ohm <= 0) | (ohm > MAX_OHM)
    ok = not table.refuse(problems, bad, "magnitude_ohm", "an impedance in ohm above 0") and ok
    phase = table.numbers.get("phase_deg")
    if phase is not None:
        ok = not table.refuse(problems, np.isinf(phase), "phase_deg", "a finite phase in degrees") and ok
    if ok and np.isnan(ohm).all():
        problems.add("no value in any row", "impedance in ohm", file=table.file, key="magnitude_ohm")
        ok = False
    if not ok:
        return None
    f = table.numbers["frequency_hz"]
    order = np.argsort(f, kind="stable")
    f = f[order]
    if _refuse_doubled(table, order, f[1:] == f[:-1], "each frequency once", problems):
        return None
    return Impedance(f, ohm[order], None if phase is None else phase[order])
