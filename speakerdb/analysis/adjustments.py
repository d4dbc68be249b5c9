"""Settings of one speaker against each other: what a setting changes, how far a control reaches, which one suits a
wall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import grid, room
from speakerdb.analysis import seat
from speakerdb.analysis.differences import contrasted
from speakerdb.analysis.metric_column import off_scale, on_scale
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS
from speakerdb.statistics import comparison
from speakerdb.statistics.contrasts import Contrast

FloatArray = NDArray[np.float64]
Switches = Mapping[str, str | float | bool]

HEARD_DB = 0.5  # a control acts where it changes the response by more than this (own judgement)
WALL_BAND_HZ = (40.0, 300.0)


CHANGES = {
    "metric": pl.String,
    "unit": pl.String,
    "reference": pl.Float64,
    "value": pl.Float64,
    "censored_reference": pl.String,
    "censored": pl.String,
    "change": pl.Float64,
    "ratio": pl.Boolean,
    "change_low": pl.Float64,
    "change_high": pl.Float64,
    "differs": pl.Boolean,
    "matters": pl.String,
    "reason": pl.String,
}
NOT_KNOWN = "how sure it is, is not worked out"
ONE_OF_TWO = "its value is one of two, which several sessions can't settle"


def metric_changes(reference: pl.DataFrame, other: pl.DataFrame, contrasts: Mapping[str, Contrast]) -> pl.DataFrame:
    """What a setting changes in every metric.

    Both frames: metric, value, censored, status, reason, one row a metric; contrasts: metric -> the sessions of `other`
    less those of `reference`, with the errors that they don't share. Columns as in CHANGES: change is value −
    reference, or value/reference where ratio; change_low, change_high: its 95 % interval (null = open, or not known);
    differs: no change lies outside it; matters: 'yes', 'no' or 'unclear', against the dictionary's δ.
    """
    joined = reference.join(other, on="metric", how="full", coalesce=True, suffix="_b", maintain_order="left_right")
    rows = [
        _change(METRICS[r["metric"]], r, contrasts.get(r["metric"]))
        for r in joined.iter_rows(named=True)
        if r["metric"] in METRICS
    ]
    return pl.DataFrame(rows, schema=CHANGES, orient="row")


def _change(metric: Metric, row: dict[str, Any], contrast: Contrast | None) -> tuple[Any, ...]:
    """One metric's row of `metric_changes`."""
    head = (metric.id, metric.unit, row["value"], row["value_b"], row["censored"], row["censored_b"])
    ratio, reason = metric.scale == "log", row["reason_b"] or row["reason"]
    if row["status"] != "ok" or row["status_b"] != "ok":
        return *head, None, ratio, None, None, None, "unclear", reason
    x = on_scale(metric, np.array([row["value_b"], row["value"]]))
    words = np.array([row["censored_b"], row["censored"]])
    why_not = _why_no_interval(contrast)
    if contrast is None or why_not:
        change = None if (words != "none").any() else float(off_scale(metric, x[0] - x[1]))
        return *head, change, ratio, None, None, None, "unclear", why_not
    lower, upper = (
        np.where(words == "at_most", -np.inf, x),
        np.where(np.isin(words, ("at_least", "between")), np.inf, x),
    )
    scores = replace(contrasted(metric, [contrast]), x=x, lower=lower, upper=upper)
    found = comparison.differences(scores, np.array([0]), np.array([1]))
    judged = str(comparison.matters(found.low, found.high, metric.matters_on_scale)[0])
    told = [float(v) if np.isfinite(v) else None for v in (found.difference[0], found.low[0], found.high[0])]
    change, low, high = (None if v is None else float(off_scale(metric, np.array(v))) for v in told)
    return *head, change, ratio, low, high, bool(found.differs[0]), judged, reason


def _why_no_interval(contrast: Contrast | None) -> str | None:
    if contrast is None:
        return NOT_KNOWN
    two = any(m.other for side in (contrast.a, contrast.b) if len(side.sessions) > 1 for m in side.sessions)
    return ONE_OF_TWO if two else None


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
    """Every control of a speaker, from the switch positions of its settings. A position that is not recorded is
    unknown."""
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
    """What a control can do to a curve. low_db, high_db (199,): lowest and highest position re the reference, NaN
    unmeasured.

    acts_hz: the bands in which its positions differ by more than 0.5 dB, each at least 1/3 octave wide; most_hz: where
    they differ most, None where it acts nowhere.
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
    """A speaker in front of a wall: total_db (n, 199), ripple_db and bass_db (n,), NaN where not measured.

    total: in-room curve plus what the wall adds. ripple: its standard deviation about its mean, 40–300 Hz. bass: its
    mean there over its mean 300 Hz–3 kHz.
    """

    total_db: FloatArray
    ripple_db: FloatArray
    bass_db: FloatArray


def before_wall(in_room_db: FloatArray, rear_db: FloatArray, distance_m: float) -> WallSum:
    """Sum of the in-room curves (n, 199) with a wall at a distance behind the front; rear_db (n, 199): level at 180° re
    on-axis."""
    total = in_room_db + room.boundary_gain_db(distance_m, rear_db)
    inside = total[:, grid.band(*WALL_BAND_HZ)]
    middle = total[:, grid.band(*seat.LEVEL_BAND_HZ)].mean(axis=1)
    return WallSum(total, inside.std(axis=1), inside.mean(axis=1) - middle)
