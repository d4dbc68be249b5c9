"""Response rows into blocks of curves that share a frequency axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.formats.problems import Problems
from speakerdb.formats.tables import ORBITS, Table
from speakerdb.session import CurveBlock, FloatArray

MAX_LEVEL_DB = 200.0  # beyond this on either side a level is a mistake
MAX_FREQUENCY_HZ = 200_000.0
# Where the highest frequency of responses lies below the first, or below the second and the lowest below the third, the
# axis is in kHz: nobody measures a loudspeaker up to 30 Hz only, nor from 1 Hz to 200 Hz only
SURELY_KHZ, _PERHAPS_KHZ, _KHZ_FROM = 30.0, 200.0, 2.0
_STRIDE = 50.0  # neighbouring points of a curve in file order never lie so many times apart

ON_ORBIT_DEG = 0.5  # a direction this near to an orbit lies on it

BoolArray = NDArray[np.bool_]


def check_frequency(table: Table, problems: Problems) -> bool:
    """Whether every frequency is one."""
    f = table.numbers["frequency_hz"]
    good = (f > 0) & (f <= MAX_FREQUENCY_HZ)
    if not good.all():
        table.refuse(problems, ~good, "frequency_hz", f"a frequency in Hz above 0, at most {MAX_FREQUENCY_HZ:g}")
        return False
    return True


def check_level(table: Table, problems: Problems, column: str = "level_db") -> bool:
    """Whether every level is finite and believable, or empty; and not all are empty."""
    level = table.numbers[column]
    bad = np.abs(level) > MAX_LEVEL_DB  # True for ±inf, False for NaN
    if bad.any():
        table.refuse(
            problems,
            bad,
            column,
            f"a level between {-MAX_LEVEL_DB:g} and {MAX_LEVEL_DB:g} dB, or an empty cell where not measured",
        )
        return False
    if np.isnan(level).all():
        problems.add("no value in any row", "levels in dB", file=table.file, key=column)
        return False
    return True


def blocks_of(table: Table, problems: Problems, *, foreign: bool = False) -> tuple[CurveBlock, ...]:
    """Check the rows of a responses table and gather them into curves. foreign: of another program, whose rows stand
    in the order of frequencies."""
    ok = check_frequency(table, problems)
    angle = table.numbers["angle_deg"]
    good = np.abs(angle) <= 180.0
    if not good.all():
        ok = False
        table.refuse(
            problems,
            ~good,
            "angle_deg",
            "an angle from -180 to 180 degrees (for 0…360 set angle_range under [columns] in folder.toml)",
        )
    ok = check_level(table, problems) and ok
    if not ok:
        return ()
    f = table.numbers["frequency_hz"]
    if f.max() < SURELY_KHZ or (f.max() < _PERHAPS_KHZ and f.min() < _KHZ_FROM):
        problems.add(
            f"{f.max():g} as the highest frequency, {f.min():g} as the lowest",
            "Hz; for kHz set frequency_unit under [columns] in folder.toml",
            file=table.file,
            key="frequency_hz",
        )
        return ()
    horizontal = table.words["orbit"] == 0
    level = table.numbers["level_db"]
    blocks = _by_reshaping(f, horizontal, angle, level)
    if blocks is None:
        blocks = _by_sorting(table, horizontal, angle, problems)
        if foreign and blocks and _refuse_strides(table, horizontal, angle, problems):
            return ()
    return blocks


def _refuse_strides(table: Table, horizontal: BoolArray, angle: FloatArray, problems: Problems) -> bool:
    """Refuse curves that run in order but for a leap: 900, 950, 1.000 is a thousand written with a separator."""
    order = np.lexsort((angle, ~horizontal))  # stable: rows of a curve stay in the order of the file
    f, h, a = table.numbers["frequency_hz"][order], horizontal[order], angle[order]
    within = (h[1:] == h[:-1]) & (a[1:] == a[:-1])
    ratio = np.where(within, f[1:] / f[:-1], 1.0)
    leaps = (ratio > _STRIDE) | (ratio < 1.0 / _STRIDE)
    curves = 1 + int((~within).sum())
    if not leaps.any() or leaps.sum() > 2 * curves:  # more of them are rows in no order, which do no harm
        return False
    bad = np.zeros(len(f), dtype=bool)
    bad[order[1:][leaps]] = True
    before = dict(zip(order[1:].tolist(), f[:-1].tolist(), strict=True))
    return problems.add_rows(
        bad,
        lambda row: f"{table.numbers['frequency_hz'][row]:g} Hz after {before[row]:g} Hz",
        "frequencies in order; 1.000 or 1,000 for a thousand is read as 1 (decimal_comma under [columns] or [traces] "
        "says which of the two is decimal), and gaps are no part of a curve",
        place=table.place,
        key="frequency_hz",
    )


def _by_reshaping(
    f: FloatArray, horizontal: BoolArray, angle: FloatArray, level: FloatArray
) -> tuple[CurveBlock, ...] | None:
    """The common case, curve after curve on one shared rising axis, without sorting; None where it is another case."""
    falls = f[1:] <= f[:-1]
    length = int(falls.argmax()) + 1 if falls.any() else len(f)
    if len(f) % length:
        return None
    axis, orbits, angles = f[:length], horizontal.reshape(-1, length), angle.reshape(-1, length)
    same = (f.reshape(-1, length) == axis).all() and (orbits == orbits[:, :1]).all() and (angles == angles[:, :1]).all()
    if not same:
        return None
    return _sorted_block(axis, orbits[:, 0], wrap(angles[:, 0]), level.reshape(-1, length))


def _sorted_block(
    axis: FloatArray, horizontal: BoolArray, angle: FloatArray, level: FloatArray
) -> tuple[CurveBlock, ...] | None:
    order = np.lexsort((angle, ~horizontal))
    horizontal, angle = horizontal[order], angle[order]
    doubled = (angle[1:] == angle[:-1]) & (horizontal[1:] == horizontal[:-1])
    if doubled.any() or np.isnan(level).all(axis=1).any():
        return None
    return (CurveBlock(axis.copy(), horizontal, angle, level[order]),)


def wrap(angle: FloatArray) -> FloatArray:
    """Angles in (-180, 180]; −180 is 180."""
    return np.where(angle <= -180.0, angle + 360.0, angle) + 0.0


def _by_sorting(table: Table, horizontal: BoolArray, angle: FloatArray, problems: Problems) -> tuple[CurveBlock, ...]:
    """Any order of rows, any axes."""
    rows = np.flatnonzero(~_closing(horizontal, angle, problems))
    raw_f, level = table.numbers["frequency_hz"], table.numbers["level_db"]
    angle = wrap(angle)
    order = rows[np.lexsort((raw_f[rows], angle[rows], ~horizontal[rows]))]
    f, h, a, y = raw_f[order], horizontal[order], angle[order], level[order]
    new_curve = np.concatenate(([True], (h[1:] != h[:-1]) | (a[1:] != a[:-1])))
    doubled = ~new_curve[1:] & (f[1:] == f[:-1])
    if doubled.any():
        marked = np.zeros(len(raw_f), dtype=bool)
        marked[order[1:][doubled]] = True

        def describe(row: int) -> str:
            orbit = ORBITS[0] if horizontal[row] else ORBITS[1]
            return f"{orbit} {angle[row]:g}° at {raw_f[row]:g} Hz a second time"

        expected = "each orbit, angle and frequency once"
        problems.add_rows(marked, describe, expected, place=table.place, key="frequency_hz")
        return ()
    starts = np.flatnonzero(new_curve)
    curves = zip(starts, np.append(starts[1:], len(f)), strict=True)
    return gather([(bool(h[i]), float(a[i]), f[i:j], y[i:j]) for i, j in curves], problems)


def _closing(horizontal: BoolArray, angle: FloatArray, problems: Problems) -> BoolArray:
    """Rows at −180° of an orbit that has 180° too: the same direction measured again to close the circle."""
    closing = np.zeros(len(angle), dtype=bool)
    for orbit, name in ((horizontal, ORBITS[0]), (~horizontal, ORBITS[1])):
        if (orbit & (angle == 180.0)).any():
            closing |= orbit & (angle == -180.0)
            if (orbit & (angle == -180.0)).any():
                problems.warn(f"{name} orbit: -180° and 180° are the same direction; the curve at -180° is not used")
    return closing


def gather(curves: list[tuple[bool, float, FloatArray, FloatArray]], problems: Problems) -> tuple[CurveBlock, ...]:
    """Curves (horizontal, angle, frequency rising, level) into one block per distinct axis; empty ones are left out."""
    groups: dict[bytes, list[int]] = {}
    for i, (horizontal, angle, f, level) in enumerate(curves):
        if np.isnan(level).all():
            problems.warn(
                f"{ORBITS[not horizontal]} {angle:g}°: no level at any frequency; the curve counts as not measured"
            )
        else:
            groups.setdefault(np.ascontiguousarray(f).tobytes(), []).append(i)
    blocks = []
    for members in groups.values():
        chosen = sorted((curves[i] for i in members), key=lambda c: (not c[0], c[1]))
        blocks.append(
            CurveBlock(
                chosen[0][2].copy(),
                np.array([c[0] for c in chosen]),
                np.array([c[1] for c in chosen]),
                np.stack([c[3] for c in chosen]),
            )
        )
    return tuple(blocks)
