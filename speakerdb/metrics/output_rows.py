"""Metrics of output and distortion (method:metrics#output-and-distortion): rows, each below what it computes."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, programme
from speakerdb.acoustics import output as o
from speakerdb.acoustics.bounds import Bounded, exact
from speakerdb.acoustics.measured import Measured, curve, swept
from speakerdb.acoustics.response import REFERENCE
from speakerdb.metric import Metric, Note

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


THD: dict[tuple[str, float], Metric] = {}  # by "bass" or "mid", and the drive in dB
for _drive in (86.0, 96.0):
    for _name, _label, _band in (("bass", "Bass", o.BASS_BAND), ("mid", "Midrange", o.MID_BAND)):
        THD[_name, _drive] = _row(
            f"thd_{_name}_{_drive:.0f}_percent",
            f"{_label} distortion at {_drive:.0f} dB",
            "%",
            better="low",
            step=0.01,
            matters=1.5,
            family=f"{_label.lower()} distortion",
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
        f"Distortion-limited SPL, {label}",
        definition=f"Highest drive with {what} distortion at most {percent:.0f} % everywhere in {{band}}{more}",
        reads=(swept(kind, band),),
        compute=partial(_clean, kind=kind, percent=percent, band=band),
        method="metrics#clean-levels",
        family="distortion-limited SPL",
        worst=True,
        strip=strip,
        note=Note(
            "noise, not distortion, is above the limit at the lowest drive",
            partial(_noisy, kind=kind, percent=percent, band=band),
        ),
    )


CLEAN_BASS = _clean_row("bass", "bass (10 %)", "thd", o.CLEAN_BASS_PERCENT, o.BASS_BAND, "total harmonic", strip=200)
CLEAN_MID = _clean_row("mid", "midrange (3 %)", "thd", o.CLEAN_PERCENT, o.MID_BAND, "total harmonic", strip=190)
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
    "Compression-limited SPL",
    definition="Level at 1 m that is delivered where compression (mean loss {band}) reaches 3 dB",
    reads=(swept("compression", o.LEVEL_BAND),),
    compute=_maximum,
    method="metrics#maximum-level",
    ends=_LOUD,
    strip=170,
)


# programme SPL

_BANDS = slice(
    int(programme.POINTS[programme.band_of(programme.FROM_HZ)]),
    int(programme.POINTS[programme.band_of(programme.TO_HZ)]) + 1,
)
_SMOOTHED = slice(_BANDS.start - grid.THIRD_OCTAVE_REACH, _BANDS.stop + grid.THIRD_OCTAVE_REACH)


def _programme(m: Measured, asked_db: NDArray[np.float64]) -> Bounded:
    return m.programme(asked_db)


def _programme_row(name: str, label: str, more: str, crossover_hz: float | None, strip: int | None = None) -> Metric:
    return _level(
        f"programme_level{name}_db",
        label,
        family="programme SPL",
        definition=(
            "The loudest music at 1 m: third-octave bands of its spectrum, {band}, share what the speaker "
            "can use in each "
            f"(3 dB compression, 10 % distortion up to 100 Hz, 3 % above){more}"
        ),
        reads=(
            curve("usable_low", _BANDS),
            swept("compression", _BANDS),
            swept("thd", _BANDS),
            swept("compression", o.LEVEL_BAND),
            curve("listening_window", REFERENCE),
            curve("listening_window", _SMOOTHED),
        ),
        compute=partial(
            _programme, asked_db=programme.asked_db(programme.SPECTRA["programme"], crossover_hz=crossover_hz)
        ),
        method="metrics#programme-spl",
        ends=_LOUD,
        merit=None if name else ("reach", "reaches"),
        strip=strip,
    )


PROGRAMME = _programme_row("", "Programme SPL", "", None, strip=180)
PROGRAMME_MANAGED = _programme_row(
    "_managed",
    "Programme SPL from 80 Hz up",
    f"; the bass below {programme.CROSSOVER_HZ:.0f} Hz left to a subwoofer",
    programme.CROSSOVER_HZ,
)


# usable output


def _usable(m: Measured, frequency_hz: float) -> Bounded:
    return o.at_frequency(m.usable, frequency_hz, m.strained.points)


def _usable_row(hz: int) -> Metric:
    at = o.around(hz)
    return _level(
        f"max_level_{hz}hz_db",
        f"Maximum SPL at {hz} Hz",
        family="maximum SPL in the bass",
        definition=f"Level delivered at {hz} Hz at the lower of 3 dB compression and the distortion limit (10 %)",
        reads=(
            curve("usable_low", at),
            swept("compression", o.LEVEL_BAND),
            swept("compression", at),
            swept("thd", at),
            curve("listening_window", REFERENCE),
            curve("listening_window", at),
        ),
        compute=partial(_usable, frequency_hz=float(hz)),
        method="metrics#usable-output",
    )


USABLE: dict[float, Metric] = {hz: _usable_row(hz) for hz in (40, 63, 100)}
