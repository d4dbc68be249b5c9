"""Metrics of response (method:metrics#response): rows, each below what it computes."""

from __future__ import annotations

from functools import partial
from math import inf

import numpy as np

from speakerdb.acoustics import bounds, curveset
from speakerdb.acoustics import response as r
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, Bounded, exact
from speakerdb.acoustics.measured import Measured, curve, single, words
from speakerdb.metric import OLIVE, Metric

ROWS: list[Metric] = []
_EVENNESS = ("least even", "most even")


def _row(id: str, label: str, unit: str, **more: object) -> Metric:
    metric = Metric(id, label, unit, group="response", **more)  # type: ignore[arg-type]
    ROWS.append(metric)
    return metric


# level and balance


def _level(m: Measured) -> Bounded:
    return exact(m.reference_db)


REFERENCE_LEVEL = _row(
    "reference_level_db",
    "Reference level",
    "dB",
    better="neither",
    step=0.1,
    matters=1.0,
    definition="Mean of the listening window, {band}; for a powered speaker a gain setting, so never ranked",
    reads=(curve("listening_window", r.REFERENCE),),
    compute=_level,
    method="metrics#level-and-balance",
    ranked=False,
    absolute=True,
)


# evenness

_ripple = partial(_row, unit="dB", better="low", ripple=True, nature=(0.0, inf), ends=_EVENNESS, family="flatness")


def _flatness_on_axis(m: Measured) -> Bounded:
    return exact(r.deviation(m.curves.on_axis, r.SHAPE))


_ripple(
    "flatness_on_axis_db",
    "Flatness on axis",
    step=0.01,
    matters=0.5,
    definition="Standard deviation of the on-axis curve about its mean, {band}",
    reads=(curve("on_axis", r.SHAPE),),
    compute=_flatness_on_axis,
    method="metrics#evenness",
    fine=True,
)


def _flatness_window(m: Measured) -> Bounded:
    return exact(r.deviation(m.curves.lw, r.SHAPE))


FLATNESS_WINDOW = _ripple(
    "flatness_window_db",
    "Flatness, listening window",
    step=0.01,
    matters=0.5,
    strip=40,
    definition="Standard deviation of the listening window about its mean, {band}",
    reads=(curve("listening_window", r.SHAPE),),
    compute=_flatness_window,
    method="metrics#evenness",
    fine=True,
)


def _half_range(m: Measured) -> Bounded:
    return exact(r.half_range(m.curves.lw, r.SHAPE))


HALF_RANGE = _ripple(
    "half_range_window_db",
    "Tolerance (±), listening window",
    step=0.1,
    matters=1.0,
    definition="Half the distance from the lowest to the highest point of the listening window, {band}",
    reads=(curve("listening_window", r.SHAPE),),
    compute=_half_range,
    method="metrics#evenness",
    fine=True,
)


def _flatness_early_reflections(m: Measured) -> Bounded:
    return exact(r.line(m.curves.er, r.SHAPE).ripple)


_ripple(
    "flatness_early_reflections_db",
    "Flatness, early reflections",
    step=0.01,
    matters=0.3,
    definition="Standard deviation of the early-reflections curve about its line over log frequency, {band}: its tilt "
    "is no unevenness",
    reads=(curve("early_reflections", r.SHAPE),),
    compute=_flatness_early_reflections,
    method="metrics#evenness",
    fine=True,
)


# bass limits

_UNDER = "its sound power lies more than 6 dB below the listening window throughout"
_DOWN = slice(r.START, r.BASS_MEAN.stop)
_WINDOW = curve("listening_window", _DOWN, down=True)
_POWER = curve("sound_power", _DOWN, down=True)
_bass = partial(
    _row, unit="Hz", better="low", step=0.1, matters=1.12, scale="log", two_valued=True, method="metrics#lf-extension"
)
_deep = partial(_bass, reads=(_WINDOW,), ends=("highest", "deepest"), family="LF extension")
_MEAN = f"mean over {words(r.BASS_MEAN)}"


def _f3(m: Measured) -> Bounded:
    return m.bass_limit(m.curves.lw, 3.0)


F3 = _deep(
    "f3_hz", "LF extension (−3 dB)", definition=f"Where the listening window falls 3 dB below its {_MEAN}", compute=_f3
)


def _f6(m: Measured) -> Bounded:
    return m.f6


F6 = _deep(
    "f6_hz",
    "LF extension (−6 dB)",
    definition=f"Where the listening window falls 6 dB below its {_MEAN}",
    compute=_f6,
    merit=("reach down to", "reaches"),
    strip=30,
)


def _f10(m: Measured) -> Bounded:
    return m.bass_limit(m.curves.lw, 10.0)


_deep(
    "f10_hz",
    "LF extension (−10 dB)",
    definition=f"Where the listening window falls 10 dB below its {_MEAN}",
    compute=_f10,
)


def _power_f6(m: Measured) -> Bounded:
    return m.power_f6


_bass(
    "power_f6_hz",
    "Sound-power LF extension (−6 dB)",
    source=OLIVE,
    definition=f"Where the sound power falls 6 dB below the listening window's {_MEAN}",
    reads=(_POWER, _WINDOW),
    compute=_power_f6,
    otherwise=_UNDER,
    family="LF extension",
)


def _rolloff(m: Measured, to_db: float) -> Bounded:
    lower = m.bass_limit(m.curves.lw, to_db)
    known = (m.f6.code != AT_MOST) & (lower.code != AT_MOST)
    return exact(np.where(known, r.rolloff(m.f6.value, lower.value, to_db - 6.0), np.nan))


def _rolloff_row(name: str, to_db: float, more: str) -> Metric:
    return _row(
        f"rolloff{name}_db_per_octave",
        f"Bass roll-off{more}",
        "dB/octave",
        better="neither",
        step=0.1,
        matters=3.0,
        definition=(
            f"Slope of the listening window between where it falls 6 and {to_db:.0f} dB below its mean over "
            f"{words(r.BASS_MEAN)}"
        ),
        reads=(_WINDOW,),
        compute=partial(_rolloff, to_db=to_db),
        method="metrics#bass-roll-off",
        two_valued=True,
        otherwise=f"not measured down to where it falls {to_db:.0f} dB",
        version=3,
    )


_rolloff_row("", 18.0, "")
_rolloff_row("_12", 12.0, " to −12 dB")


# narrow-band deviation

GATE_ADDS_DB = 0.02  # standard deviation of a narrow-band deviation through a time gate (own judgement)

_narrow = partial(
    _ripple,
    step=0.01,
    matters=0.1,
    source=OLIVE,
    method="metrics#narrow-band-deviation",
    fine=True,
    gate_adds=GATE_ADDS_DB,
    family="fine structure",
)


def _nbd_on_axis(m: Measured) -> Bounded:
    return exact(m.nbd_on_axis)


NBD_ON_AXIS = _narrow(
    "nbd_on_axis_db",
    "Narrow-band deviation on axis",
    definition=(
        "Mean over half-octave bands, {band}, of the mean absolute deviation from the band's mean; on-axis curve"
    ),
    reads=(curve("on_axis", r.NBD),),
    compute=_nbd_on_axis,
)


def _nbd_window(m: Measured) -> Bounded:
    return exact(r.narrow_band_deviation(m.curves.lw))


_narrow(
    "nbd_window_db",
    "Narrow-band deviation, listening window",
    definition="Narrow-band deviation of the listening window",
    reads=(curve("listening_window", r.NBD),),
    compute=_nbd_window,
)


def _nbd_in_room(m: Measured) -> Bounded:
    return exact(m.nbd_in_room)


NBD_IN_ROOM = _narrow(
    "nbd_in_room_db",
    "Narrow-band deviation in room",
    definition="Narrow-band deviation of the predicted in-room curve",
    reads=(curve("in_room", r.NBD),),
    compute=_nbd_in_room,
    strip=50,
)


# in-room curve

_ROOM = curve("in_room", r.IN_ROOM)
_in_room = partial(_row, reads=(_ROOM,), method="metrics#in-room-curve")


def _smoothness(m: Measured) -> Bounded:
    return exact(m.in_room_line.r_squared)


_in_room(
    "smoothness_in_room",
    "In-room smoothness",
    "r²",
    better="high",
    step=0.01,
    matters=0.1,
    source=OLIVE,
    definition="r² of the least-squares line of the predicted in-room curve over log frequency, {band}",
    compute=_smoothness,
    nature=(0.0, 1.0),
    fine=True,
    family="fine structure",
)


def _slope(m: Measured) -> Bounded:
    return exact(m.in_room_line.slope_per_octave)


_in_room(
    "slope_in_room_db_per_octave",
    "In-room slope",
    "dB/octave",
    better="neither",
    step=0.01,
    matters=0.2,
    strip=90,
    definition="Slope of the least-squares line of the predicted in-room curve, {band}",
    compute=_slope,
    family="tonal balance",
)


def _ripple_in_room(m: Measured) -> Bounded:
    return exact(m.in_room_line.ripple)


_ripple(
    "ripple_in_room_db",
    "In-room ripple",
    step=0.01,
    matters=0.3,
    strip=60,
    definition="Standard deviation of the predicted in-room curve about its line, {band}",
    reads=(_ROOM,),
    compute=_ripple_in_room,
    method="metrics#in-room-curve",
    fine=True,
    family="fine structure",
)


# balance

_balance = partial(
    _row, unit="dB", better="neither", step=0.1, matters=1.0, method="metrics#level-and-balance", family="tonal balance"
)
_LEVEL = curve("listening_window", r.REFERENCE)


def _bass_balance(m: Measured) -> Bounded:
    return exact(r.mean(m.curves.lw, r.BASS) - m.reference_db)


BASS_BALANCE = _balance(
    "bass_balance_db",
    "Bass balance",
    definition="Mean of the listening window {band} minus the reference level",
    reads=(curve("listening_window", r.BASS), _LEVEL),
    compute=_bass_balance,
    strip=70,
)


def _treble_balance(m: Measured) -> Bounded:
    return exact(r.mean(m.curves.lw, r.TREBLE) - m.reference_db)


TREBLE_BALANCE = _balance(
    "treble_balance_db",
    "Treble balance",
    definition="Mean of the listening window {band} minus the reference level",
    reads=(curve("listening_window", r.TREBLE), _LEVEL),
    compute=_treble_balance,
    strip=80,
)


# predicted preference

_preference = partial(
    _row,
    unit="points",
    better="high",
    step=0.1,
    matters=1.0,
    method="metrics#predicted-preference",
    fine=True,
    gate_adds=GATE_ADDS_DB * (r.PREFERENCE_ON_AXIS + r.PREFERENCE_IN_ROOM),
    caution="One point is what one would hear: listeners' own ratings scatter by about 0.8 points about the formula",
)


def _points(m: Measured) -> Bounded:
    points = r.preference(m.nbd_on_axis, m.nbd_in_room, m.power_f6.value, m.in_room_line.r_squared)
    return bounds.flagged(points, m.power_f6.code == AT_MOST, AT_LEAST)


PREFERENCE = _preference(
    "preference",
    "Predicted preference",
    source=OLIVE,
    definition="12.69 − 2.49·NBD(on axis) − 2.99·NBD(in room) − 4.31·log10(sound-power −6 dB limit) + 2.32·smoothness",
    reads=(_ROOM, curve("on_axis", r.NBD), _POWER, _WINDOW),
    compute=_points,
    two_valued=True,
    otherwise=_UNDER,
    merit=("score", "scores"),
    strip=10,
)


def _points_bass_managed(m: Measured) -> Bounded:
    return exact(r.preference(m.nbd_on_axis, m.nbd_in_room, r.IDEAL_SUBWOOFER_HZ, m.in_room_line.r_squared))


PREFERENCE_BASS_MANAGED = _preference(
    "preference_bass_managed",
    "Predicted preference with an ideal subwoofer",
    source="own convention after Olive 2004",
    definition="The predicted preference with 20 Hz in place of the sound-power bass limit",
    reads=(_ROOM, curve("on_axis", r.NBD)),
    compute=_points_bass_managed,
    strip=20,
)


# listening axis

_SEATS = curveset.h(0, *curveset.both(10, 20, 30))
_axis = partial(_row, better="neither", method="metrics#listening-axis", two_valued=True, ranked=False, fine=True)


def _angle(m: Measured) -> Bounded:
    return exact(m.listening_axis[0])


BEST_ANGLE = _axis(
    "best_listening_angle_deg",
    "Optimum listening axis",
    "°",
    step=10.0,
    matters=10.0,
    definition="Of 0, 10, 20, 30° off axis the smallest whose narrow-band deviation is within 0.02 dB of the lowest",
    reads=(single(_SEATS, r.NBD),),
    compute=_angle,
)


def _gain(m: Measured) -> Bounded:
    return exact(m.listening_axis[1])


BEST_ANGLE_GAIN = _axis(
    "best_listening_angle_gain_db",
    "Gain at the optimum listening axis",
    "dB",
    step=0.01,
    matters=0.1,
    definition="Narrow-band deviation on the axis minus that at the optimum listening axis",
    reads=(single(_SEATS, r.NBD),),
    compute=_gain,
    nature=(0.0, inf),
)


def _treble_change(m: Measured) -> Bounded:
    return exact(m.listening_axis[2])


BEST_ANGLE_TREBLE = _axis(
    "best_listening_angle_treble_db",
    "Treble change at the optimum listening axis",
    "dB",
    step=0.1,
    matters=1.0,
    definition="Change of the 4–16 kHz mean re the 300 Hz–3 kHz mean from the axis to the optimum listening axis",
    reads=(single(_SEATS, r.IN_ROOM),),
    compute=_treble_change,
)
LISTENING_AXIS = (BEST_ANGLE, BEST_ANGLE_GAIN, BEST_ANGLE_TREBLE)  # picked from curves at several angles, together
