"""Metrics of passive speakers as an amplifier sees them (method:metrics#impedance): rows, each below what it
computes."""

from __future__ import annotations

from functools import partial

import numpy as np

from speakerdb.acoustics import electrical as e
from speakerdb.acoustics import grid, response
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, Bounded, exact
from speakerdb.acoustics.measured import Measured, curve
from speakerdb.acoustics.response import REFERENCE
from speakerdb.metric import Electrical, Metric, Note

ROWS: list[Metric] = []
_MAGNITUDE = Electrical(*grid.named(e.WHOLE), "impedance")
_PHASE = Electrical(*grid.named(e.WHOLE), "phase")
_VOLTAGE = Electrical(*grid.named(REFERENCE), "voltage")


def _row(id: str, label: str, unit: str, **more: object) -> Metric:
    metric = Metric(id, label, unit, group="output", **more)  # type: ignore[arg-type]
    ROWS.append(metric)
    return metric


_ohm = partial(
    _row, unit="Ω", better="high", step=0.1, matters=1.25, method="metrics#impedance", scale="log", kinds="all"
)
_hz = partial(
    _row,
    unit="Hz",
    better="neither",
    step=0.1,
    matters=1.12,
    method="metrics#impedance",
    scale="log",
    kinds="all",
    ranked=False,
)


def _at(found: e.Lowest | None, m: Measured) -> Bounded:
    """Where a minimum lies; at the edge of the grid it may lie beyond."""
    if found is None:
        return m.unknown
    lower = found.hz <= grid.FREQUENCY_HZ[0]
    code = np.where(found.at_edge, np.where(lower, AT_MOST, AT_LEAST), 0).astype(np.int8)
    return Bounded(found.hz * np.where(found.at_edge, 1.0, m.impedance_shift), code)


def _impedance(m: Measured) -> Bounded:
    return m.unknown if m.lowest_impedance is None else exact(m.lowest_impedance.ohm)


IMPEDANCE = _ohm(
    "impedance_min_ohm",
    "Minimum impedance",
    definition="Lowest impedance magnitude, {band} (passive speakers)",
    reads=(_MAGNITUDE,),
    compute=_impedance,
    strip=220,
)


def _impedance_at(m: Measured) -> Bounded:
    return _at(m.lowest_impedance, m)


_hz(
    "impedance_min_at_hz",
    "Frequency of the minimum impedance",
    definition="Where the impedance magnitude is lowest, {band} (passive speakers)",
    reads=(_MAGNITUDE,),
    compute=_impedance_at,
)


def _epdr(m: Measured) -> Bounded:
    return m.unknown if m.lowest_epdr is None else exact(m.lowest_epdr.ohm)


EPDR = _ohm(
    "epdr_min_ohm",
    "Minimum EPDR",
    definition=(
        "Lowest equivalent peak dissipation resistance, {band}: the resistor that would heat a class B "
        "amplifier as much "
        "(passive speakers)"
    ),
    reads=(_PHASE, _MAGNITUDE),
    compute=_epdr,
    strip=225,
)


def _epdr_at(m: Measured) -> Bounded:
    return _at(m.lowest_epdr, m)


_hz(
    "epdr_min_at_hz",
    "Frequency of the minimum EPDR",
    definition="Where the equivalent peak dissipation resistance is lowest, {band} (passive speakers)",
    reads=(_PHASE, _MAGNITUDE),
    compute=_epdr_at,
)


def _tuning(m: Measured) -> Bounded:
    return m.unknown if m.tuning is None else exact(m.tuning.hz * m.impedance_shift)


def _closed(m: Measured) -> np.ndarray:
    return np.zeros(m.curves.lw.shape[:-1], bool) if m.tuning is None else m.tuning.closed


_TUNED = Electrical(*grid.named(grid.band(20.0, 400.0)), "impedance")
_hz(
    "box_tuning_hz",
    "Box tuning",
    definition=(
        "Minimum of the impedance between its two maxima below 200 Hz (vented, passive radiator), or its only maximum "
        "there (closed)"
    ),
    reads=(_TUNED,),
    compute=_tuning,
    note=Note("one maximum: the resonance of a closed box", _closed),
    otherwise="the impedance has neither one nor two clear maxima below 200 Hz",
)

_sensitivity = partial(_row, better="neither", step=0.1, matters=1.0, method="metrics#sensitivity", absolute=True)


def _window(m: Measured) -> Bounded:
    return m.unknown if m.voltage_v is None else exact(e.sensitivity(m.reference_db, m.voltage_v))


SENSITIVITY = _sensitivity(
    "sensitivity_db",
    "Sensitivity",
    "dB (2.83 V, 1 m)",
    definition="Reference level referred to a drive of 2.83 V (passive speakers)",
    reads=(curve("listening_window", REFERENCE), _VOLTAGE),
    compute=_window,
    strip=210,
)


def _axis(m: Measured) -> Bounded:
    level = response.mean(m.curves.on_axis, REFERENCE)
    return m.unknown if m.voltage_v is None else exact(e.sensitivity(level, m.voltage_v))


_sensitivity(
    "sensitivity_axis_db",
    "Sensitivity on axis",
    "dB (2.83 V, 1 m)",
    definition="Mean of the on-axis curve, {band}, referred to a drive of 2.83 V (passive speakers)",
    reads=(curve("on_axis", REFERENCE), _VOLTAGE),
    compute=_axis,
)


def _watt(m: Measured) -> Bounded:
    if m.voltage_v is None or m.lowest_impedance is None:
        return m.unknown
    return exact(e.of_one_watt(e.sensitivity(m.reference_db, m.voltage_v), m.lowest_impedance.ohm))


_sensitivity(
    "sensitivity_watt_db",
    "Sensitivity for 1 W",
    "dB (1 W, 1 m)",
    definition="Sensitivity for 1 W into the minimum impedance (passive speakers)",
    reads=(curve("listening_window", REFERENCE), _VOLTAGE, _MAGNITUDE),
    compute=_watt,
)
