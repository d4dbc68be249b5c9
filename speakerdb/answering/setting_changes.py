"""Settings of one speaker compared on the units that were measured in both: curves, metrics, controls, the wall
behind."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import derive, figures
from speakerdb.acoustics import grid, room
from speakerdb.analysis import adjustments
from speakerdb.analysis.adjustments import Control, Reach, WallSum
from speakerdb.analysis.seat import LEVEL_BAND_HZ
from speakerdb.derive.pooling import pool_curves
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.field.sessions import Sessions
from speakerdb.metric import CENSORED, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.statistics.contrasts import contrast
from speakerdb.store import Store, session_rows
from speakerdb.store.reading import ActiveValues, active_values, summary_levels

CURVES = ("on_axis", "listening_window", "sound_power", "in_room")
REACH_CURVE = "listening_window"
LEVEL_BAND = grid.band(*LEVEL_BAND_HZ)


@dataclass(frozen=True, eq=False)
class SettingChange:
    """One setting against the reference: difference in dB (199,) per curve, NaN where not measured; changes: see
    analysis.adjustments.metric_changes; units: (lab, sample) that both were measured on, empty where there is none in
    common."""

    setting: str
    difference_db: dict[str, NDArray[np.float64]]
    level_shift_db: float | None
    changes: pl.DataFrame
    units: tuple[tuple[str, str], ...]


@dataclass(frozen=True, eq=False)
class ControlReach:
    """A control, the settings that show its positions, and what it does to the listening window re `reference`."""

    control: Control
    settings: tuple[str, ...]
    reference: str | None
    reach: Reach | None


@dataclass(frozen=True, eq=False)
class WallAnswer:
    """Every setting before a wall; best: the flattest, None where none was measured. reasons: setting -> why not
    judged."""

    distance_m: float
    first_dip_hz: float
    settings: tuple[str, ...]
    total: WallSum
    best: str | None
    reasons: dict[str, str]


@dataclass(frozen=True, eq=False)
class SettingsAnswer:
    """Everything that the settings of one speaker do, told against `reference`. switches: setting -> recorded
    positions."""

    speaker: str
    reference: str
    switches: dict[str, dict[str, Any]]
    changes: tuple[SettingChange, ...]
    controls: tuple[ControlReach, ...]
    wall: WallAnswer | None
    cautions: tuple[str, ...]


def compare(
    store: Store, field: Field, speaker_id: int, speaker: str, reference: str, wall_distance_m: float | None
) -> SettingsAnswer:
    """Compare all settings of a speaker with one of them. Raises RequestError for a wall that is inside the cabinet."""
    active = active_values(store.con, [speaker_id])
    curves = summary_levels(store.con, active.session_id.tolist())
    sessions = Sessions(store, active)
    names = [reference, *sorted(set(active.setting) - {reference})]
    changes = tuple(_change(sessions, active, curves, reference, other) for other in names[1:])
    switches, conflicts = _switches(store, speaker_id, names)
    wall = None if wall_distance_m is None else _wall(field, speaker, names, wall_distance_m)
    controls = _controls(changes, names, switches)
    return SettingsAnswer(
        speaker, reference, switches, changes, controls, wall, (*_cautions(changes, wall is not None), *conflicts)
    )


def _change(
    sessions: Sessions, active: ActiveValues, curves: dict[str, np.ndarray[Any, Any]], reference: str, other: str
) -> SettingChange:
    """A setting against the reference, over the (lab, sample) pairs measured in both; over everything where there is
    none."""
    setting = np.array(active.setting, object)
    unit = np.array([f"{lab}\x1f{sample}" for lab, sample in zip(active.lab, active.sample, strict=True)], object)
    common = sorted(set(unit[setting == reference]) & set(unit[setting == other]))
    kept = np.isin(setting, [reference, other]) & (np.isin(unit, common) if common else True)
    rows = np.flatnonzero(kept)
    group = (setting[rows] == other).astype(np.int64)
    by = derive.Grouping(group, [active.sample[i] for i in rows], [active.lab[i] for i in rows])
    weight = by.weights()
    difference = {}
    for part in CURVES:
        if part in curves:
            pooled = pool_curves(curves[part][rows], group, weight, 2)
            difference[part] = pooled[1] - pooled[0]
    shift = float(np.mean(difference[REACH_CURVE][LEVEL_BAND])) if REACH_CURVE in difference else np.nan
    pooled_values = derive.pool_table(_rows_of(active.values, rows), by)
    frames = [_value_frame(pooled_values, row) for row in (0, 1)]
    sides = [rows[group == 1].tolist(), rows[group == 0].tolist()]
    measured = sessions.of(sides, list(METRICS.values()), bounds=True)
    contrasts = {m: contrast(a, b) for m, (a, b) in measured.items() if a and b}
    return SettingChange(
        other,
        difference,
        shift if np.isfinite(shift) else None,
        adjustments.metric_changes(frames[0], frames[1], contrasts),
        tuple((u.partition("\x1f")[0], u.partition("\x1f")[2]) for u in common),
    )


def _rows_of(values: ValueTable, rows: NDArray[np.intp]) -> ValueTable:
    place = {int(row): i for i, row in enumerate(rows)}
    reason = {(place[row], m): text for (row, m), text in values.reason.items() if row in place}
    return ValueTable(values.metrics, values.value[rows], values.censored[rows], reason, values.upper[rows])


def _value_frame(values: ValueTable, row: int) -> pl.DataFrame:
    value = values.value[row]
    return pl.DataFrame(
        {
            "metric": list(values.metrics),
            "value": pl.Series(value).fill_nan(None),
            "censored": [CENSORED[code] for code in values.censored[row]],
            "status": np.where(np.isnan(value), "withheld", "ok").tolist(),
            "reason": pl.Series([values.reason.get((row, m)) for m in values.metrics], dtype=pl.String),
        }
    )


def _switches(store: Store, speaker_id: int, names: list[str]) -> tuple[dict[str, dict[str, Any]], list[str]]:
    """Positions of the switches in each setting, and what sessions of one setting disagree about (then it is
    unknown)."""
    found: dict[str, dict[str, Any]] = {name: {} for name in names}
    conflicts = []
    given: dict[tuple[str, str], list[Any]] = {}
    for setting, text in session_rows.electronics_of(store.con, speaker_id):
        for switch, position in json.loads(text or "{}").items():
            given.setdefault((setting, switch), []).append(position)
    for (setting, switch), positions in given.items():
        if all(p == positions[0] for p in positions):
            found[setting][switch] = positions[0]
        else:
            different = ", ".join(dict.fromkeys(str(p) for p in positions))
            conflicts.append(
                f"Sessions of setting {setting} give {switch} as {different}: its position counts as unknown."
            )
    return found, conflicts


def _controls(
    changes: tuple[SettingChange, ...], names: list[str], switches: dict[str, dict[str, Any]]
) -> tuple[ControlReach, ...]:
    """The range of each control, read from the listening window's difference to the reference."""
    difference = [np.zeros(len(grid.FREQUENCY_HZ))] + [
        c.difference_db.get(REACH_CURVE, np.full(len(grid.FREQUENCY_HZ), np.nan)) for c in changes
    ]
    found = []
    for control in adjustments.controls([switches[name] for name in names]):
        if control.problem is not None:
            found.append(ControlReach(control, (), None, None))
            continue
        rows = [row for _, row in control.positions]
        own = 0 if 0 in rows else rows[0]
        reached = adjustments.reach(np.stack(difference), rows, own)
        found.append(ControlReach(control, tuple(names[row] for row in rows), names[own], reached))
    return tuple(found)


def _wall(field: Field, speaker: str, names: list[str], distance_m: float) -> WallAnswer:
    """All settings before a wall, from the pooled curves."""
    base = field.base
    depth = base.filter(pl.col("speaker") == speaker)["depth_mm"][0]
    if depth is not None and 1000.0 * distance_m < depth:
        raise RequestError(
            f"the wall is {figures.plain(distance_m)} m behind the front of {speaker}, but the cabinet is "
            f"{figures.plain(depth)} mm deep: expected at least "
            f"{figures.plain(depth / 1000.0)} m"
        )
    where = {s: i for i, (n, s) in enumerate(base.select("speaker", "setting").iter_rows()) if n == speaker}
    rows = [where[name] for name in names]
    curves = field.curves(["in_room", "rear"])
    total = adjustments.before_wall(curves["in_room"][rows].astype(np.float64), curves["rear"][rows], distance_m)
    low, high = adjustments.WALL_BAND_HZ
    band = grid.band(low, high)
    reasons = {}
    for name, row, ripple in zip(names, rows, total.ripple_db, strict=True):
        if np.isnan(ripple):
            lacking = "in-room curve" if np.isnan(curves["in_room"][row, band]).any() else "curve at 180°"
            reasons[name] = f"its {lacking} is not known over all of {figures.band(low, high)}"
    best = None if len(reasons) == len(names) else names[int(np.nanargmin(total.ripple_db))]
    return WallAnswer(distance_m, room.first_dip_hz(distance_m), tuple(names), total, best, reasons)


def _cautions(changes: tuple[SettingChange, ...], with_wall: bool) -> list[str]:
    said = []
    for change in changes:
        if not change.units:
            said.append(
                f"Setting {change.setting} was not measured on the same sample in the same lab as the "
                "reference: what differs may be the "
                "sample or the lab."
            )
    if changes:
        said.append("Differences are about the units measured, curves as they are: a change of level is part of them.")
    if with_wall:
        said.append(
            "Only the wall behind is counted; floor, ceiling and side walls add their own. The wall is taken "
            "to reflect "
            f"{figures.percent(room.WALL_REFLECTS)} of the pressure."
        )
    return said
