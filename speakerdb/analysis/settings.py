"""Settings of one speaker against each other: what a setting changes, how far a control reaches, which one suits a wall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import grid, room
from speakerdb.analysis import seat
from speakerdb.dictionary import METRICS

FloatArray = NDArray[np.float64]
Switches = Mapping[str, str | float | bool]

HEARD_DB = 0.5  # a control acts where it changes the response by more than this (own judgement)
WALL_BAND_HZ = (40.0, 300.0)


def metric_changes(reference: pl.DataFrame, other: pl.DataFrame) -> pl.DataFrame:
    """What a setting changes in every metric.

    Both frames: metric, value, censored, status, reason, one row a metric. Returned: metric, unit, reference, value (null where
    withheld), censored_reference, censored, change_low, change_high (equal where both are exact; null = open), matters
    ('yes', 'no' or 'unclear', against the dictionary's δ), reason.
    """
    joined = reference.join(other, on="metric", how="full", coalesce=True, suffix="_b", maintain_order="left_right")
    low_a, high_a = _ends("value", "censored", "status")
    low_b, high_b = _ends("value_b", "censored_b", "status_b")
    delta = {m.id: m.matters for m in METRICS.values()}
    unit = {m.id: m.unit for m in METRICS.values()}
    rows = (
        joined.filter(pl.col("metric").is_in(list(METRICS)))
        .with_columns(_low=low_b - high_a, _high=high_b - low_a)
        .with_columns(
            unit=pl.col("metric").replace_strict(unit, return_dtype=pl.String),
            _delta=pl.col("metric").replace_strict(delta, return_dtype=pl.Float64),
        )
    )
    outside = (pl.col("_low") > pl.col("_delta")) | (pl.col("_high") < -pl.col("_delta"))
    inside = (pl.col("_low") >= -pl.col("_delta")) & (pl.col("_high") <= pl.col("_delta"))
    return rows.select(
        "metric", "unit", reference="value", value="value_b", censored_reference="censored", censored="censored_b",
        change_low=_finite("_low"), change_high=_finite("_high"),
        matters=pl.when(outside).then(pl.lit("yes")).when(inside).then(pl.lit("no")).otherwise(pl.lit("unclear")),
        reason=pl.coalesce("reason_b", "reason"),
    )  # fmt: skip


def _ends(value: str, censored: str, status: str) -> tuple[pl.Expr, pl.Expr]:
    known = (pl.col(status) == "ok").fill_null(False)
    low = pl.when(known & (pl.col(censored) != "at_most")).then(pl.col(value)).otherwise(float("-inf"))
    high = pl.when(known & (pl.col(censored) != "at_least")).then(pl.col(value)).otherwise(float("inf"))
    return low, high


def _finite(name: str) -> pl.Expr:
    return pl.when(pl.col(name).is_finite()).then(pl.col(name))


@dataclass(frozen=True)
class Control:
    """A switch whose positions were measured with all other switches alike: (position, row of the setting), rising.

    fixed: the other switches' positions. problem: why its range cannot be told (then there are no positions).
    """

    name: str
    positions: tuple[tuple[str | float | bool, int], ...]
    fixed: Switches
    problem: str | None = None


def controls(switches: Sequence[Switches]) -> list[Control]:
    """Every control of a speaker, from the switch positions of its settings. A position that is not recorded is unknown."""
    found = []
    for name in dict.fromkeys(key for s in switches for key in s):
        groups: dict[frozenset[tuple[str, Any]], list[tuple[str | float | bool, int]]] = {}
        for row, setting in enumerate(switches):
            if name in setting:
                rest = frozenset((k, v) for k, v in setting.items() if k != name)
                groups.setdefault(rest, []).append((setting[name], row))
        usable = {rest: dict(reversed(group)) for rest, group in groups.items()}
        best = max(usable, key=lambda rest: len(usable[rest]))
        if len(usable[best]) < 2:
            found.append(Control(name, (), {}, _why_not(name, [p for g in groups.values() for p, _ in g])))
            continue
        positions = sorted(usable[best].items(), key=lambda p: (isinstance(p[0], str), p[0]))
        found.append(Control(name, tuple(positions), dict(sorted(best))))
    return found


def _why_not(name: str, positions: Sequence[str | float | bool]) -> str:
    if len(set(positions)) < 2:
        return f"only one position of {name} was measured"
    return f"the settings that differ in {name} differ in another switch too"


@dataclass(frozen=True, eq=False)
class Reach:
    """What a control can do to a curve. low_db, high_db (199,): lowest and highest position re the reference, NaN unmeasured.

    acts_hz: the bands in which its positions differ by more than 0.5 dB, each at least 1/3 octave wide; most_hz: where they
    differ most, None where it acts nowhere.
    """

    low_db: FloatArray
    high_db: FloatArray
    acts_hz: tuple[tuple[float, float], ...]
    most_hz: float | None


def reach(level_db: FloatArray, positions: Sequence[int], reference: int) -> Reach:
    """The adjustment range of a control: level_db (settings, 199), rows of its positions, row it is told against.

    Levels are compared as they are; the differences are 1/3-octave smoothed.
    """
    smoothed = grid.smooth_third_octave(np.asarray(level_db[list(positions)] - level_db[reference], np.float64))
    low, high = smoothed.min(axis=0), smoothed.max(axis=0)
    span = np.where(np.isfinite(high - low), high - low, 0.0)
    acting = np.flatnonzero(span > HEARD_DB)
    pieces = np.split(acting, np.flatnonzero(np.diff(acting) > 1) + 1)
    wide = [p for p in pieces if len(p) > 2 * grid.THIRD_OCTAVE_REACH]
    bands = tuple((float(grid.FREQUENCY_HZ[p[0]]), float(grid.FREQUENCY_HZ[p[-1]])) for p in wide)
    return Reach(low, high, bands, float(grid.FREQUENCY_HZ[np.argmax(span)]) if bands else None)


@dataclass(frozen=True, eq=False)
class WallSum:
    """A speaker in front of a wall: boundary_db and total_db (n, 199), ripple_db and bass_db (n,), NaN where not measured.

    total: in-room curve plus what the wall adds. ripple: its standard deviation about its mean, 40–300 Hz. bass: its mean there
    over its mean 300 Hz–3 kHz.
    """

    boundary_db: FloatArray
    total_db: FloatArray
    ripple_db: FloatArray
    bass_db: FloatArray


def before_wall(in_room_db: FloatArray, rear_db: FloatArray, distance_m: float) -> WallSum:
    """Sum of the in-room curves (n, 199) with a wall at a distance behind the front; rear_db (n, 199): level at 180° re on-axis."""
    boundary = room.boundary_gain_db(distance_m, rear_db)
    total = in_room_db + boundary
    inside = total[:, grid.band(*WALL_BAND_HZ)]
    middle = total[:, grid.band(*seat.LEVEL_BAND_HZ)].mean(axis=1)
    return WallSum(boundary, total, inside.std(axis=1), inside.mean(axis=1) - middle)
