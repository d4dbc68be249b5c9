"""Why a value is withheld, in words that name what is missing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, grid
from speakerdb.dictionary import METRICS
from speakerdb.session import GridSession

SHAPE_RESOLUTION, SHAPE_SMOOTHING_OCT = 12.0, 1 / 12
SHAPE = frozenset({
    "flatness_on_axis_db", "flatness_window_db", "half_range_window_db", "nbd_on_axis_db", "nbd_window_db",
    "nbd_in_room_db", "ripple_in_room_db", "smoothness_in_room", "preference", "preference_bass_managed",
    "best_listening_angle_deg", "best_listening_angle_gain_db", "best_listening_angle_treble_db",
})  # fmt: skip
BELOW_300_HZ = frozenset({"thd_bass_86_percent", "thd_bass_96_percent", "clean_level_bass_db", "impedance_min_ohm",
                          "max_level_40hz_db", "max_level_63hz_db", "max_level_100hz_db"})  # fmt: skip

# the curve and band that a metric reads; curves in the names of curveset.WEIGHTS, or on_axis
NEEDS: dict[str, tuple[str, float, float]] = {
    "reference_level_db": ("listening_window", 300, 3000), "flatness_on_axis_db": ("on_axis", 100, 10000),
    "flatness_window_db": ("listening_window", 100, 10000), "half_range_window_db": ("listening_window", 100, 10000),
    "f3_hz": ("listening_window", 300, 10000), "f6_hz": ("listening_window", 300, 10000),
    "f10_hz": ("listening_window", 300, 10000), "power_f6_hz": ("sound_power", 300, 10000),
    "rolloff_db_per_octave": ("listening_window", 300, 10000), "nbd_on_axis_db": ("on_axis", 100, 12000),
    "nbd_window_db": ("listening_window", 100, 12000), "nbd_in_room_db": ("in_room", 100, 12000),
    "smoothness_in_room": ("in_room", 100, 16000), "slope_in_room_db_per_octave": ("in_room", 100, 16000),
    "ripple_in_room_db": ("in_room", 100, 16000), "bass_balance_db": ("listening_window", 60, 3000),
    "treble_balance_db": ("listening_window", 300, 16000), "preference": ("in_room", 100, 16000),
    "preference_bass_managed": ("in_room", 100, 16000), "di_power_mean_db": ("sound_power", 300, 10000),
    "di_power_ripple_db": ("sound_power", 300, 10000), "di_early_ripple_db": ("early_reflections", 300, 10000),
    "di_sphere_mean_db": ("listening_window", 300, 10000), "turning_sensitivity_db": ("in_room", 300, 10000), "sensitivity_db": ("listening_window", 300, 3000),
}  # fmt: skip
ORBIT_OF = {"left": "horizontal", "right": "horizontal", "up": "vertical", "down": "vertical"}


class Withholding:
    """Answers for a batch of sessions why each value is not given; the costly parts are worked out once a session."""

    def __init__(self, sessions: Sequence[GridSession], level_db: NDArray[np.float64]) -> None:
        self._sessions = sessions
        self._level = level_db
        self._present = np.asarray(~np.isnan(level_db).all(axis=-1))

    def reason(self, i: int, metric: str, missing: bool) -> str | None:
        """None where the value stands; missing: it could not be computed."""
        session, m = self._sessions[i], METRICS[metric]
        if session.info.kind == "subwoofer" and metric not in BELOW_300_HZ:
            return "a subwoofer: it refers to 300 Hz and above"
        if m.absolute and session.info.level_is == "relative":
            return "levels are relative"
        if metric in SHAPE:
            declared = session.info.smoothing_oct
            if declared is not None and declared > SHAPE_SMOOTHING_OCT + 1e-9:
                return f"smoothed to 1/{1 / declared:.3g} octave; shape metrics need 1/12 or finer"
            if session.resolution_per_octave < SHAPE_RESOLUTION:
                return f"raw data have {session.resolution_per_octave:.3g} points per octave; shape metrics need 12"
        if not missing:
            return None
        if m.group == "output":
            return self._output_reason(session, metric)
        return self._curve_reason(i, metric)

    def _output_reason(self, session: GridSession, metric: str) -> str:
        if metric in {"impedance_min_ohm", "sensitivity_db"} and session.info.powered:
            return "a powered speaker"
        if metric == "impedance_min_ohm":
            return "no impedance measured"
        if metric == "sensitivity_db":
            return "no drive voltage given"
        return "no distortion measured" if metric.startswith(("thd", "clean")) else "no compression measured"

    def _curve_reason(self, i: int, metric: str) -> str:
        present = self._present[i]
        if metric == "di_sphere_mean_db" and self._sessions[i].sphere_power_db is None:
            return "no full sphere measured"
        if metric in NEEDS:
            part, low, high = NEEDS[metric]
            lacking = curveset.missing_angles(part, present)
            if metric in {"preference", "preference_bass_managed", "power_f6_hz", "di_power_mean_db", "di_power_ripple_db",
                          "di_early_ripple_db"}:  # fmt: skip
                lacking = lacking or curveset.missing_angles("listening_window", present)
            return lacking or self._range_reason(i, part, low, high)
        name = next((orbit for word, orbit in ORBIT_OF.items() if f"_{word}_" in metric), None)
        name = name or ("vertical" if "vertical" in metric else "horizontal")
        first = 0 if name == "horizontal" else curveset.PER_ORBIT
        if not present[first : first + curveset.PER_ORBIT].any():
            return f"no {name} orbit"
        if metric.startswith("tone"):
            lacking = curveset.missing_angles("listening_window", present)
            if lacking:
                return lacking
        if metric.endswith("sd_oct"):
            return f"the {name} pattern is wider than the angles measured, in part of 1–10 kHz"
        if metric.startswith("best_listening"):
            return "horizontal 0 to ±30° not measured over 100 Hz–16 kHz"
        return self._range_reason(i, "on_axis", 300, 10000)

    def _range_reason(self, i: int, part: str, low: float, high: float) -> str:
        """What of the band is not measured on the axis."""
        axis = self._level[i, curveset.ON_AXIS]
        measured = grid.FREQUENCY_HZ[~np.isnan(axis)]
        if not len(measured):
            return "horizontal 0° not measured"
        hertz = f"{measured[0]:.0f}–{measured[-1]:.0f} Hz"
        gap = np.isnan(axis[grid.band(low, high)]).any()
        if gap and measured[0] <= low * 1.04 and measured[-1] >= high / 1.04:
            return f"a gap in the measured frequencies within {low:g}–{high:g} Hz"
        return (
            f"measured over {hertz}; the metric needs {low:g}–{high:g} Hz" if gap else "its curve does not reach so low"
        )
