"""Sessions on the grid -> metric values with censoring and reasons, and summary curves. Batched over sessions."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, curveset, directivity, grid, response
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, Bounded, exact
from speakerdb.acoustics.directivity import Angle
from speakerdb.acoustics.grid import Points
from speakerdb.derive import strength
from speakerdb.derive.reasons import withhold, without_level
from speakerdb.derive.strength import Values
from speakerdb.metric import ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class Derived:
    """values: one row per session; summary: part -> (S, 199) float32, NaN where withheld; listening_axis: narrow-band deviation and
    treble balance (S, 4) at 0, 10, 20, 30°, which the listening axis is picked from, also when sessions are pooled."""

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
    """Values of the wanted metrics (None: all) of a batch of sessions, and their summary curves."""
    ids = tuple(m for m in METRICS if metrics is None or m in metrics)
    groups = {METRICS[m].group for m in ids}
    readings = readings_of(sessions)
    level = curveset.share_poles(readings)
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    found = averaged_metrics(curves)
    axis = response.axis_deviations(*_sides(readings, level))
    found |= axis_metrics(*axis)
    summary = {
        "on_axis": curves.on_axis, "listening_window": curves.lw, "early_reflections": curves.er,
        "sound_power": curves.sp, "in_room": curves.in_room, "di_early": curves.di_early, "di_power": curves.di_power,
        "rear": level[:, curveset.h(180)[0]] - level[:, curveset.ON_AXIS],  # what a wall behind sends back
    }  # fmt: skip
    if "directivity" in groups:
        smoothed, window = (10.0 * np.log10(grid.smooth_third_octave(p)) for p in (power, curveset.power_of(curves.lw)))
        pattern, widths = pattern_metrics(smoothed, window)
        summary |= widths | {"sound_power_sphere": _sphere_power(sessions)}
        di = curves.lw - summary["sound_power_sphere"]
        found |= pattern | {"di_sphere_mean_db": exact(response.mean(di, directivity.TONE))}
        found["turning_sensitivity_db"] = exact(directivity.turning_sensitivity(directivity.turned_in_room(power)))
    if "output" in groups:
        f6 = found["f6_hz"]
        window_response = strength.Response(curves.lw, found["reference_level_db"].value, f6.value, f6.code == AT_MOST)
        output = strength.output_metrics(sessions, window_response)
        found |= output.values
        summary |= strength.usable_curves(output.usable)
    table = ValueTable(
        ids, np.stack([found[m].value for m in ids], axis=1), np.stack([found[m].code for m in ids], axis=1), {}
    )
    withhold(table, sessions, level)
    if "output" in groups:
        _note_noise(table, output.noisy)
    blank = np.array([without_level(s) for s in sessions], bool)
    for part in ("usable_output", "usable_output_bound"):
        if part in summary:
            summary[part][blank] = np.nan
    return Derived(table, {part: np.round(curve, 2).astype(np.float32) for part, curve in summary.items()}, axis)


def _sides(readings: Array, level: Array) -> tuple[Array, Array]:
    """Horizontal curves (S, 4, 199) at 0, ±10, ±20, ±30 as read; 0° from the vertical orbit where only that has it."""
    left, right = readings[:, curveset.h(0, 10, 20, 30)], readings[:, curveset.h(0, -10, -20, -30)]
    only_vertical = np.isnan(left[:, 0]).all(axis=-1)
    left[only_vertical, 0] = right[only_vertical, 0] = level[only_vertical, curveset.ON_AXIS]
    return left, right


NOISE = "noise, not distortion, is above the limit at the lowest drive"


def _note_noise(table: ValueTable, noisy: dict[str, NDArray[np.bool_]]) -> None:
    """Say beside clean levels that stand where their sweeps began in the noise."""
    for j, metric in enumerate(table.metrics):
        if metric in noisy:
            for i in np.flatnonzero(noisy[metric] & ~np.isnan(table.value[:, j])).tolist():
                table.reason[i, metric] = NOISE


def _sphere_power(sessions: Sequence[GridSession]) -> Array:
    sphere = np.full((len(sessions), len(grid.FREQUENCY_HZ)), np.nan)
    for row, session in zip(sphere, sessions, strict=True):
        if session.sphere_power_db is not None:
            row[:] = session.sphere_power_db
    return sphere


def axis_metrics(deviation: Array, treble: Array) -> Values:
    """The listening axis from narrow-band deviation and treble balance (..., 4) at 0, 10, 20, 30°."""
    angle, gain, change = response.best_listening_angle(deviation, treble)
    return {
        "best_listening_angle_deg": exact(angle), "best_listening_angle_gain_db": exact(gain),
        "best_listening_angle_treble_db": exact(change),
    }  # fmt: skip


def averaged_metrics(c: curveset.CurveSet) -> Values:
    """Metrics of response and directivity that need the on-axis and the averaged curves (…, 199) alone."""
    return shape_metrics(c) | limit_metrics(c)


def limit_metrics(c: curveset.CurveSet) -> Values:
    """The bass limits and what stands on them: a dip near the threshold can carry them to another place altogether."""
    r = response
    window_mean = r.mean(c.lw, r.BASS_MEAN)
    curves = {**{f"f{n}_hz": (c.lw, n) for n in (3, 6, 10)}, "power_f6_hz": (c.sp, 6)}
    limits = {name: r.bass_limit(curve, window_mean - n) for name, (curve, n) in curves.items()}
    found = {name: _flagged(limit.hz, limit.at_most, AT_MOST) for name, limit in limits.items()}
    f6, power_f6 = limits["f6_hz"], limits["power_f6_hz"]
    found["rolloff_db_per_octave"] = exact(r.rolloff(c.lw, np.where(f6.at_most, np.nan, f6.hz)))
    in_room = r.line(c.in_room, r.IN_ROOM)
    preference = r.preference(
        r.narrow_band_deviation(c.on_axis), r.narrow_band_deviation(c.in_room), power_f6.hz, in_room.r_squared
    )
    found["preference"] = _flagged(preference, power_f6.at_most, AT_LEAST)
    return found


def shape_metrics(c: curveset.CurveSet) -> Values:
    """The others: they change little by little with the curves."""
    r = response
    reference = r.mean(c.lw, r.REFERENCE)
    in_room = r.line(c.in_room, r.IN_ROOM)
    nbd_axis, nbd_window, nbd_room = (r.narrow_band_deviation(x) for x in (c.on_axis, c.lw, c.in_room))
    return {
        "reference_level_db": exact(reference),
        "flatness_on_axis_db": exact(r.deviation(c.on_axis)),
        "flatness_window_db": exact(r.deviation(c.lw)),
        "half_range_window_db": exact(r.half_range(c.lw)),
        "nbd_on_axis_db": exact(nbd_axis),
        "nbd_window_db": exact(nbd_window),
        "nbd_in_room_db": exact(nbd_room),
        "smoothness_in_room": exact(in_room.r_squared),
        "slope_in_room_db_per_octave": exact(in_room.slope_per_octave),
        "ripple_in_room_db": exact(in_room.ripple),
        "bass_balance_db": exact(r.mean(c.lw, r.BASS) - reference),
        "treble_balance_db": exact(r.mean(c.lw, r.TREBLE) - reference),
        "preference_bass_managed": exact(r.preference(nbd_axis, nbd_room, r.IDEAL_SUBWOOFER_HZ, in_room.r_squared)),
        "di_power_mean_db": exact(r.mean(c.di_power, directivity.TONE)),
        "di_power_ripple_db": exact(r.line(c.di_power, directivity.TONE).ripple),
        "di_early_ripple_db": exact(r.line(c.di_early, directivity.TONE).ripple),
    }


def _flagged(value: Array, bound: NDArray[np.bool_], code: int) -> Bounded:
    return Bounded(value, np.where(bound, code, bounds.EXACT).astype(np.int8))


def _open(angle: Angle) -> Bounded:
    return _flagged(angle.deg, angle.at_least, AT_LEAST)


def pattern_metrics(
    smoothed: Floats, smoothed_lw: Floats, points: Points = grid.WHOLE
) -> tuple[Values, dict[str, Array]]:
    """Metrics of directivity that need single curves, from 1/3-octave smoothed curves (S, 72, F) and window (S, F) in dB at some points; and the
    full −6 dB angles over their frequencies."""
    d = directivity
    found: Values = {}
    widths = {}
    for name, sides in (("horizontal", ("left", "right")), ("vertical", ("up", "down"))):
        angle = d.full_angle(smoothed, sides)
        width = d.beamwidth(angle, points)
        found[f"beamwidth_{name}_deg"] = _flagged(width.median_deg, width.at_least, AT_LEAST)
        found[f"beamwidth_{name}_sd_oct"] = exact(width.sd_oct)
        widths[f"beamwidth_{name}"] = np.where(angle.at_least, np.nan, angle.deg)
        a, b = (d.tone_angle(smoothed, smoothed_lw, side, points) for side in sides)
        found[f"tone_{sides[0]}_deg"], found[f"tone_{sides[1]}_deg"] = _open(a), _open(b)
        found[f"tone_width_{name}_deg"] = _open(d.worse(a, b))
    return found, widths
