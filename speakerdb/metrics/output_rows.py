"""Metrics of output and distortion (method:metrics#output-and-distortion): rows, each below what it computes."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.acoustics import output as o
from speakerdb.acoustics.bounds import Bounded, exact
from speakerdb.acoustics.measured import Measured, curve, swept
from speakerdb.acoustics.response import REFERENCE, START
from speakerdb.metric import Electrical, Metric, Note

ROWS: list[Metric] = []
_LOUD = ("loudest", "quietest")


def _row(id: str, label: str, unit: str, **more: object) -> Metric:
    metric = Metric(id, label, unit, group="output", **more)  # type: ignore[arg-type]
    ROWS.append(metric)
    return metric


_level = partial(_row, unit="dB", better="high", step=0.1, matters=1.0, absolute=True)


# distortion at a drive


def _thd(m: Measured, drive_db: float, band: slice) -> Bounded:
    level = m.harmonic_db(drive_db)
    return m.unknown if level is None else exact(o.rms_percent(level, m.strained.points.inside(band)))


for _drive in (86.0, 96.0):
    for _name, _label, _band in (("bass", "Bass", o.BASS_BAND), ("mid", "Midrange", o.MID_BAND)):
        _row(
            f"thd_{_name}_{_drive:.0f}_percent",
            f"{_label} distortion at {_drive:.0f} dB",
            "%",
            better="low",
            step=0.01,
            matters=1.5,
            definition=f"RMS of total harmonic distortion over {{band}} at a drive of {_drive:.0f} dB",
            reads=(swept("thd", _band, at_db=_drive),),
            compute=partial(_thd, drive_db=_drive, band=_band),
            method="metrics#distortion-at-a-drive",
            scale="log",
            absolute=True,
        )


# clean levels


def _clean(m: Measured, kind: str, percent: float, band: slice) -> Bounded:
    sweeps = m.distortion(kind)
    return m.unknown if sweeps is None else o.clean_level(sweeps, percent, band).plus(m.at_error_db)


def _noisy(m: Measured, kind: str, percent: float, band: slice) -> NDArray[np.bool_]:
    sweeps = m.distortion(kind)
    return np.zeros(m.curves.lw.shape[:-1], bool) if sweeps is None else o.noise_limited(sweeps, percent, band)


def _clean_row(
    name: str, label: str, kind: str, percent: float, band: slice, what: str, more: str = "", strip: int | None = None
) -> Metric:
    return _level(
        f"clean_level_{name}_db",
        f"Clean level, {label}",
        definition=f"Highest drive with {what} distortion at most {percent:.0f} % everywhere in {{band}}{more}",
        reads=(swept(kind, band),),
        compute=partial(_clean, kind=kind, percent=percent, band=band),
        method="metrics#clean-levels",
        worst=True,
        strip=strip,
        note=Note(
            "noise, not distortion, is above the limit at the lowest drive",
            partial(_noisy, kind=kind, percent=percent, band=band),
        ),
    )


CLEAN_BASS = _clean_row("bass", "bass", "thd", o.CLEAN_BASS_PERCENT, o.BASS_BAND, "total harmonic", strip=200)
CLEAN_MID = _clean_row("mid", "midrange", "thd", o.CLEAN_PERCENT, o.MID_BAND, "total harmonic", strip=190)
CLEAN = (
    CLEAN_BASS,
    CLEAN_MID,
    _clean_row("multitone", "multitone", "multitone", o.CLEAN_PERCENT, o.MULTITONE_BAND, "multitone", ", full range"),
    _clean_row(
        "multitone_managed",
        "multitone above 80 Hz",
        "multitone_hp80",
        o.CLEAN_PERCENT,
        o.MULTITONE_BAND,
        "multitone",
        ", the signal high-passed at 80 Hz",
    ),
)


# maximum level


def _maximum(m: Measured) -> Bounded:
    return m.maximum


MAXIMUM = _level(
    "max_level_db",
    "Maximum level",
    definition="Level at 1 m that is delivered where compression (mean loss {band}) reaches 3 dB",
    reads=(swept("compression", o.LEVEL_BAND),),
    compute=_maximum,
    method="metrics#maximum-level",
    ends=_LOUD,
    merit=("reach", "reaches"),
    strip=170,
)


# level with its balance

_BALANCE = "Level delivered at the highest drive at which compression changes the tonal balance by no more than 1.5 dB"
_TO_10_KHZ = slice(START, o.MULTITONE_BAND.stop)


def _balance(m: Measured) -> Bounded:
    return m.balance[0]


BALANCE = _level(
    "balance_level_db",
    "Highest level with its balance",
    definition=f"{_BALANCE}, from the −6 dB limit to 10 kHz",
    reads=(
        swept("compression", grid.band(300.0, o.BALANCE_TO_HZ), down=True),
        curve("listening_window", _TO_10_KHZ, down=True),
    ),
    compute=_balance,
    method="metrics#level-with-its-balance",
    ends=_LOUD,
    strip=180,
    version=3,
    otherwise="its balance holds from {from_hz} up; the bass below, down to its −6 dB limit, was not measured",
)


def _balance_managed(m: Measured) -> Bounded:
    return m.balance[1]


BALANCE_MANAGED = _level(
    "balance_level_managed_db",
    "Highest level with its balance, above 80 Hz",
    definition=f"{_BALANCE}, with the bass left to a subwoofer: from 80 Hz, or the −6 dB limit if higher, to 10 kHz",
    reads=(
        swept("compression", grid.band(o.BALANCE_MANAGED_FROM_HZ, o.BALANCE_TO_HZ)),
        curve("listening_window", _TO_10_KHZ, down=True, needed=False),
    ),
    compute=_balance_managed,
    method="metrics#level-with-its-balance",
    version=3,
)


# usable output


def _usable(m: Measured, frequency_hz: float) -> Bounded:
    return o.at_frequency(m.usable, frequency_hz, m.strained.points)


def _usable_row(hz: int) -> Metric:
    at = o.around(hz)
    return _level(
        f"max_level_{hz}hz_db",
        f"Usable output at {hz} Hz",
        definition=f"Level delivered at {hz} Hz at the lower of 3 dB compression and the distortion limit (10 %)",
        reads=(
            curve("usable_output", at),
            swept("compression", o.LEVEL_BAND),
            swept("compression", at),
            swept("thd", at),
            curve("listening_window", REFERENCE),
            curve("listening_window", at),
        ),
        compute=partial(_usable, frequency_hz=float(hz)),
        method="metrics#usable-output",
        otherwise="bounds from both sides meet there",
    )


USABLE = {hz: _usable_row(hz) for hz in (40, 63, 100)}


# passive speakers


def _impedance(m: Measured) -> Bounded:
    return m.unknown if m.impedance_ohm is None else exact(o.lowest_impedance(m.impedance_ohm))


_row(
    "impedance_min_ohm",
    "Lowest impedance",
    "Ω",
    better="high",
    step=0.1,
    matters=1.25,
    definition="Lowest impedance magnitude, {band} (passive speakers)",
    reads=(Electrical(*grid.named(o.IMPEDANCE_BAND), "impedance"),),
    compute=_impedance,
    method="metrics#impedance-and-sensitivity",
    scale="log",
    kinds="all",
    strip=220,
)


def _sensitivity(m: Measured) -> Bounded:
    return m.unknown if m.voltage_v is None else exact(o.sensitivity(m.reference_db, m.voltage_v))


SENSITIVITY = _row(
    "sensitivity_db",
    "Sensitivity",
    "dB (2.83 V, 1 m)",
    better="neither",
    step=0.1,
    matters=1.0,
    definition="Reference level referred to a drive of 2.83 V (passive speakers)",
    reads=(curve("listening_window", REFERENCE), Electrical(*grid.named(REFERENCE), "voltage")),
    compute=_sensitivity,
    method="metrics#impedance-and-sensitivity",
    absolute=True,
    strip=210,
)
