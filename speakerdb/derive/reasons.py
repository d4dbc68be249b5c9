"""Why a value is withheld, in words that name what is missing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, grid, output, response
from speakerdb.derive.sweep_reasons import compression_hole, sweep_reason
from speakerdb.metric import ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession

SHAPE_RESOLUTION, SHAPE_SMOOTHING_OCT = 12.0, 1 / 12
SHAPE = frozenset({
    "flatness_on_axis_db", "flatness_window_db", "half_range_window_db", "nbd_on_axis_db", "nbd_window_db",
    "nbd_in_room_db", "ripple_in_room_db", "smoothness_in_room", "preference", "preference_bass_managed",
    "best_listening_angle_deg", "best_listening_angle_gain_db", "best_listening_angle_treble_db",
})  # fmt: skip
SUBWOOFER_TOO = frozenset({"impedance_min_ohm"})  # refers to nothing at 300 Hz and above
SUBWOOFER = "a subwoofer: it refers to 300 Hz and above"
RELATIVE = "levels are relative"

_LW, _ER, _SP, _ROOM = ("listening_window", "early_reflections", "sound_power", "in_room")
_AXIS = [curveset.ON_AXIS]
_START_HZ = float(grid.FREQUENCY_HZ[response.START])


def _slots(*parts: str) -> list[int]:
    return np.flatnonzero(sum(curveset.WEIGHTS[p] for p in parts)).tolist()


# what a metric reads: slots of the curve set, and the band in Hz that must be whole
NEEDS: dict[str, tuple[list[int], float, float]] = {
    "reference_level_db": (_slots(_LW), 300, 3000), "flatness_on_axis_db": (_AXIS, 100, 10000),
    "flatness_window_db": (_slots(_LW), 100, 10000), "half_range_window_db": (_slots(_LW), 100, 10000),
    **{f"f{n}_hz": (_slots(_LW), _START_HZ, 10000) for n in (3, 6, 10)},
    "power_f6_hz": (_slots(_LW, _SP), _START_HZ, 10000), "rolloff_db_per_octave": (_slots(_LW), _START_HZ, 10000),
    "nbd_on_axis_db": (_AXIS, 100, 12000), "nbd_window_db": (_slots(_LW), 100, 12000),
    "nbd_in_room_db": (_slots(_ROOM), 100, 12000), "smoothness_in_room": (_slots(_ROOM), 100, 16000),
    "slope_in_room_db_per_octave": (_slots(_ROOM), 100, 16000), "ripple_in_room_db": (_slots(_ROOM), 100, 16000),
    "bass_balance_db": (_slots(_LW), 60, 3000), "treble_balance_db": (_slots(_LW), 300, 16000),
    "preference": (_slots(_ROOM), 100, 16000), "preference_bass_managed": (_slots(_ROOM), 100, 16000),
    **{f"best_listening_angle_{part}": (curveset.h(0, *curveset.both(10, 20, 30)), 100, 16000)
       for part in ("deg", "gain_db", "treble_db")},
    **{f"beamwidth_{orbit}_{part}": ([*_AXIS, *slots], 1000, 10000)
       for orbit, slots in (("horizontal", curveset.h(10, -10)), ("vertical", curveset.v(10, -10)))
       for part in ("deg", "sd_oct")},
    **{f"tone_{side}_deg": ([*_slots(_LW), *slots], 300, 10000)
       for side, slots in (("left", curveset.h(10)), ("right", curveset.h(-10)), ("up", curveset.v(10)),
                           ("down", curveset.v(-10)), ("width_horizontal", curveset.h(10, -10)),
                           ("width_vertical", curveset.v(10, -10)))},
    "di_power_mean_db": (_slots(_LW, _SP), 300, 10000), "di_power_ripple_db": (_slots(_LW, _SP), 300, 10000),
    "di_early_ripple_db": (_slots(_LW, _ER), 300, 10000), "di_sphere_mean_db": (_slots(_LW), 300, 10000),
    "turning_sensitivity_db": (_slots(_ROOM), 300, 10000), "sensitivity_db": (_slots(_LW), 300, 3000),
}  # fmt: skip

# said where all that a metric reads is there and it still has no value
OTHERWISE = {
    "rolloff_db_per_octave": "not measured an octave below its −6 dB limit",
    "power_f6_hz": "its sound power lies more than 6 dB below the listening window throughout",
    "preference": "its sound power lies more than 6 dB below the listening window throughout",
    "di_sphere_mean_db": "the full sphere is not measured over 300–10000 Hz",
    "beamwidth_horizontal_sd_oct": "the horizontal pattern is wider than the angles measured, in part of 1–10 kHz",
    "beamwidth_vertical_sd_oct": "the vertical pattern is wider than the angles measured, in part of 1–10 kHz",
}


def withhold(table: ValueTable, sessions: Sequence[GridSession], level_db: NDArray[np.float64]) -> None:
    """Blank what may not be given and say why for everything without a value. level_db (S, 72, 199)."""
    metrics = [METRICS[m] for m in table.metrics]
    subwoofer = np.array([s.info.kind == "subwoofer" for s in sessions], bool)
    relative = np.array([s.info.level_is == "relative" for s in sessions], bool)
    coarse = [_coarse(s) for s in sessions]
    unscaled = [_unscaled(s) for s in sessions]

    def each(rows: NDArray[np.bool_], columns: list[bool]) -> NDArray[np.bool_]:
        return np.asarray(rows[:, None] & np.array(columns, bool))

    ruled_out = each(subwoofer, [m.id not in SUBWOOFER_TOO for m in metrics])
    ruled_out |= each(relative, [m.absolute for m in metrics])
    ruled_out |= each(np.array([c is not None for c in coarse], bool), [m.id in SHAPE for m in metrics])
    ruled_out |= each(np.array([u is not None for u in unscaled], bool), [_by_drive(m.id) for m in metrics])
    table.value[ruled_out] = np.nan
    missing = np.isnan(table.value)
    table.censored[missing] = 0
    present = ~np.isnan(level_db)
    for i, j in np.argwhere(missing).tolist():
        metric, session = table.metrics[j], sessions[i]
        if subwoofer[i] and metric not in SUBWOOFER_TOO:
            reason: str | None = SUBWOOFER
        elif relative[i] and METRICS[metric].absolute:
            reason = RELATIVE
        elif unscaled[i] is not None and _by_drive(metric):
            reason = unscaled[i]
        elif coarse[i] is not None and metric in SHAPE:
            reason = coarse[i]
        else:
            reason = _missing(session, metric, present[i])
        table.reason[i, metric] = str(reason)


def _by_drive(metric: str) -> bool:
    """Whether a metric stands on drives."""
    return METRICS[metric].group == "output" and metric not in {"impedance_min_ohm", "sensitivity_db"}


def _coarse(session: GridSession) -> str | None:
    declared = session.info.smoothing_oct
    if declared is not None and declared > SHAPE_SMOOTHING_OCT + 1e-9:
        return f"smoothed to 1/{1 / declared:.3g} octave; shape metrics need 1/12 or finer"
    if session.resolution_per_octave < SHAPE_RESOLUTION:
        return f"raw data have {session.resolution_per_octave:.3g} points per octave; shape metrics need 12"
    return None


def _unscaled(session: GridSession) -> str | None:
    sweeps = session.compression
    if session.info.drive_scale == "relative" and (
        sweeps is None or bool(np.isnan(sweeps.level_db[0, output.LEVEL_BAND]).any())
    ):
        return "drives are relative and no compression sweep over 300 Hz–3 kHz says what level they give"
    return None


def without_level(session: GridSession) -> bool:
    """Whether the drives of a session stand for no level at 1 m."""
    info = session.info
    return info.level_is == "relative" or info.kind == "subwoofer" or _unscaled(session) is not None


def _missing(session: GridSession, metric: str, present: NDArray[np.bool_]) -> str:
    """Why nothing could be computed. present (72, 199): which levels were measured."""
    if metric == "di_sphere_mean_db" and session.sphere_power_db is None:
        return "no full sphere measured"
    if metric == "sensitivity_db" and session.info.powered:
        return "a powered speaker"
    if metric == "sensitivity_db" and session.info.drive_voltage_v is None:
        return "no drive voltage given"
    if metric in NEEDS:
        slots, low, high = NEEDS[metric]
        return (
            lacking(slots, low, high, present)
            or OTHERWISE.get(metric)
            or f"not measured throughout {low:.0f}–{high:.0f} Hz"
        )
    if (reason := sweep_reason(session, metric)) is not None:
        return reason
    if metric == "balance_level_db":
        return _no_balance(session, present)
    if metric.startswith("max_level_"):
        return lacking(_slots(_LW), 300, 3000, present) or _not_there(metric, present)
    return "compression not measured over all it needs"


def _no_balance(session: GridSession, present: NDArray[np.bool_]) -> str:
    """Why there is no level at which the balance holds, though compression was measured over 300 Hz–3 kHz."""
    slots, low, high = NEEDS["f6_hz"]
    lowest = grid.FREQUENCY_HZ[present[_slots(_LW)].all(axis=0)].min(initial=low)
    return (
        lacking(slots, low, high, present)
        or compression_hole(session, lowest, high)
        or f"its balance holds from {lowest:.0f} Hz up; the bass below, down to its −6 dB limit, was not measured"
    )


def _not_there(metric: str, present: NDArray[np.bool_]) -> str:
    """Why there is no usable output at one frequency."""
    at = grid.at_or_below(float(metric.split("_")[2].removesuffix("hz")))
    if not present[_slots(_LW), at : at + 2].all():
        measured = grid.FREQUENCY_HZ[present[_slots(_LW)].all(axis=0)]
        return f"listening window measured from {measured[0]:.0f} Hz"
    return "bounds from both sides meet there"


def lacking(slots: list[int], low_hz: float, high_hz: float, present: NDArray[np.bool_]) -> str | None:
    """What of the slots is not measured in a band, in words; None where nothing lacks. present (72, 199)."""
    angles = curveset.missing_angles(slots, np.asarray(present.any(axis=-1)))
    if angles:
        return angles
    band = grid.band(low_hz, high_hz)
    holed = [s for s in slots if not present[s, band].all()]
    if not holed:
        return None
    slot = curveset.ON_AXIS if curveset.ON_AXIS in holed else holed[0]
    needs = f"the metric needs {low_hz:.0f}–{high_hz:.0f} Hz"
    name = "" if slot == curveset.ON_AXIS else f"{curveset.name_of(slot)} "
    measured, inside = grid.FREQUENCY_HZ[present[slot]], grid.FREQUENCY_HZ[band]
    if measured[0] <= inside[0] and measured[-1] >= inside[-1]:
        hole = inside[~present[slot, band]]
        return f"{name}not measured at {hole[0]:.0f}–{hole[-1]:.0f} Hz; {needs}"
    return f"{name}measured over {measured[0]:.0f}–{measured[-1]:.0f} Hz; {needs}"
