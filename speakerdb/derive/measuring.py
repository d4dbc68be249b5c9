"""Sessions on the grid -> metric values with censoring and reasons, and summary curves. Batched over sessions."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, directivity, grid, output, programme, roompower
from speakerdb.acoustics.measured import Measured, Smoothed, Turned
from speakerdb.derive import drives
from speakerdb.derive.reasons import beside, withhold, without_level
from speakerdb.metric import Swept, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
LEFT, RIGHT = curveset.h(0, 10, 20, 30), curveset.h(0, -10, -20, -30)  # slots that the listening axis is picked from


@dataclass(frozen=True, eq=False)
class Derived:
    """values: one row per session; summary: part -> (S, 199) float32, NaN where withheld, empty where only some metrics
    were wanted; listening_axis: narrow-band deviation and treble balance (S, 4) at 0, 10, 20, 30°, which the listening
    axis is picked from, also when sessions are pooled."""

    values: ValueTable
    summary: dict[str, NDArray[np.float32]]
    listening_axis: tuple[Array, Array]


def readings_of(sessions: Sequence[GridSession]) -> Array:
    """(S, 72, 199) levels in dB as read: the 10° subset of what was measured, NaN elsewhere."""
    level = np.full((len(sessions), curveset.SLOTS, len(grid.FREQUENCY_HZ)), np.nan)
    for row, session in zip(level, sessions, strict=True):
        step = session.angle_deg / curveset.STEP_DEG
        on_step = np.abs(step - np.round(step)) < 1e-6
        slot = np.round(step).astype(int) + 17 + np.where(session.horizontal, 0, curveset.PER_ORBIT)
        row[slot[on_step]] = session.level_db[on_step]
    return level


def slots_of(sessions: Sequence[GridSession]) -> Array:
    """(S, 72, 199) levels in dB as everything but the listening axis takes them: the poles shared by both orbits."""
    return curveset.share_poles(readings_of(sessions))


def derive(sessions: Sequence[GridSession], metrics: Collection[str] | None = None) -> Derived:
    """Values of the wanted metrics of a batch of sessions; None: of all, and their summary curves."""
    rows = [m for m in METRICS.values() if metrics is None or m.id in metrics]
    readings = readings_of(sessions)
    level = curveset.share_poles(readings)
    measured = _measured(sessions, readings, level)
    found = [m.compute(measured) for m in rows]
    table = ValueTable(
        tuple(m.id for m in rows),
        np.stack([f.value for f in found], axis=1),
        np.stack([f.code for f in found], axis=1),
        {},
        upper=np.stack([np.full(f.value.shape, np.nan) if f.upper is None else f.upper for f in found], axis=1),
    )
    withhold(table, sessions, level)
    for j, m in enumerate(rows):
        if m.note is not None:
            for i in np.flatnonzero(m.note.where(measured) & ~np.isnan(table.value[:, j])).tolist():
                table.reason[i, m.id] = m.note.words
    told = [m.fine or any(read.kind == drives.COMPRESSION for read in m.reading(Swept)) for m in rows]
    for j in np.flatnonzero(told).tolist():
        for i in np.flatnonzero(~np.isnan(table.value[:, j])).tolist():
            if (words := beside(sessions[i], rows[j], int(table.censored[i, j]))) is not None:
                table.reason[i, rows[j].id] = words
    summary = {} if metrics is not None else _summary(sessions, measured, level)
    return Derived(
        table,
        {part: np.round(curve, 2).astype(np.float32) for part, curve in summary.items()},
        measured.axis_deviations,
    )


def _measured(sessions: Sequence[GridSession], readings: Array, level: Array) -> Measured:
    """(S, …) of sessions."""
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    deep = np.array([s.info.kind == "subwoofer" for s in sessions], bool)
    passive = [s.info.drive_voltage_v or np.nan if not s.info.powered else np.nan for s in sessions]
    return Measured(
        curves,
        subwoofer=deep,
        sides=lambda: _sides(readings, level),
        turned=lambda: Turned(directivity.turned_in_room(power)),
        smoothed=lambda: smoothed(power, curves.lw),
        sphere_db=_stacked([s.sphere_power_db for s in sessions]),
        strain=lambda: drives.strain_of(drives.stacked([drives.sweeps_of(s) for s in sessions]), deep),
        impedance_ohm=_stacked([None if s.info.powered else s.impedance_ohm for s in sessions]),
        impedance_phase_deg=_stacked([None if s.info.powered else s.impedance_phase_deg for s in sessions]),
        voltage_v=np.array(passive, np.float64),
    )


def smoothed(power: Floats, window_db: Floats) -> Smoothed:
    """1/3-octave smoothed, from p² of single curves (..., 72, 199) and the window (..., 199) in dB."""
    single, window = (10.0 * np.log10(grid.smooth_third_octave(p)) for p in (power, curveset.power_of(window_db)))
    return Smoothed(single, window)


def _sides(readings: Array, level: Array) -> tuple[Array, Array]:
    """Horizontal curves (S, 4, 199) at 0, ±10, ±20, ±30 as read; 0° from the vertical orbit where only that has it."""
    left, right = readings[:, LEFT], readings[:, RIGHT]
    only_vertical = np.isnan(left[:, 0]).all(axis=-1)
    left[only_vertical, 0] = right[only_vertical, 0] = level[only_vertical, curveset.ON_AXIS]
    return left, right


def _stacked(curves: Sequence[NDArray[np.float32] | None]) -> Array:
    """(S, 199), NaN rows for those that there are none of."""
    found = np.full((len(curves), len(grid.FREQUENCY_HZ)), np.nan)
    for row, curve in zip(found, curves, strict=True):
        if curve is not None:
            row[:] = curve
    return found


def _di_room(sessions: Sequence[GridSession], m: Measured) -> Array:
    """(S, 199) directivity index of the power that a room gets, in the third-octave bands (programme.POINTS), NaN
    elsewhere: from the sphere where one was measured, else from both orbits."""
    at = programme.POINTS
    found = np.full((len(sessions), len(grid.FREQUENCY_HZ)), np.nan)
    if m.pattern is None:
        return found
    power = roompower.room_power(m.pattern.level_db[..., at])
    sphere = output.smoothed_db(_stacked([s.sphere_power_db for s in sessions]))[:, at]
    found[:, at] = m.pattern.window_db[..., at] - np.where(np.isnan(sphere), power, sphere)
    return found


def _summary(sessions: Sequence[GridSession], m: Measured, level: Array) -> dict[str, Array]:
    c = m.curves
    found = {
        "on_axis": c.on_axis,
        "listening_window": c.lw,
        "early_reflections": c.er,
        "sound_power": c.sp,
        "in_room": c.in_room,
        "di_early": c.di_early,
        "di_power": c.di_power,
        "rear": level[:, curveset.h(180)[0]] - level[:, curveset.ON_AXIS],  # what a wall behind sends back
        **{f"beamwidth_{plane}": deg for plane, deg in m.beamwidth_deg.items()},
        "sound_power_sphere": _stacked([s.sphere_power_db for s in sessions]),
        "di_room": _di_room(sessions, m),
    }
    blank = np.array([without_level(s) for s in sessions], bool)
    for part, curve in drives.usable_curves(m.usable_bands).items():
        curve[blank] = np.nan
        found[part] = curve
    return found
