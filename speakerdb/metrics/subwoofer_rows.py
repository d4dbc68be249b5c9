"""Metrics of subwoofers (method:metrics#subwoofers), which rank among themselves: rows, each below what it computes."""

from __future__ import annotations

from functools import partial

from speakerdb.acoustics import output
from speakerdb.acoustics import subwoofer as sub
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, Bounded, flagged
from speakerdb.acoustics.measured import Measured, curve, swept
from speakerdb.metric import Metric

ROWS: list[Metric] = []


def _row(id: str, label: str, unit: str, **more: object) -> Metric:
    metric = Metric(id, label, unit, group="output", kinds="subwoofer", **more)  # type: ignore[arg-type]
    ROWS.append(metric)
    return metric


_hz = partial(_row, unit="Hz", step=0.1, matters=1.12, scale="log", method="metrics#limits-of-a-subwoofer")


def _lower(m: Measured, fall_db: float) -> Bounded:
    limit = sub.lower_limit(m.curves.on_axis, fall_db)
    return flagged(limit.hz, limit.at_most, AT_MOST)


LIMITS = {}  # by the fall in dB
for _fall in (3, 6, 10):
    LIMITS[_fall] = _hz(
        f"sub_f{_fall}_hz",
        f"Subwoofer LF extension (−{_fall} dB)",
        better="low",
        family="LF extension",
        definition=f"Where the on-axis curve falls {_fall} dB below its mean over 40–80 Hz, going down from 63 Hz",
        reads=(curve("on_axis", sub.REFERENCE, down=True),),
        compute=partial(_lower, fall_db=float(_fall)),
        ends=("highest", "deepest"),
        strip=35 if _fall == 6 else None,
    )


def _upper(m: Measured) -> Bounded:
    limit = sub.upper_limit(m.curves.on_axis, 6.0)
    return flagged(limit.hz, limit.at_most, AT_LEAST)


_hz(
    "sub_upper_f6_hz",
    "Subwoofer upper limit −6 dB",
    better="high",
    definition="Where the on-axis curve falls 6 dB below its mean over 40–80 Hz, going up from 63 Hz",
    reads=(curve("on_axis", sub.REFERENCE, up=True),),
    compute=_upper,
)


def _usable(m: Measured, frequency_hz: float) -> Bounded:
    return output.at_frequency(m.usable, frequency_hz, m.strained.points)


OUTPUT: dict[float, Metric] = {}  # by nominal frequency

for _name, _frequency in sub.OUTPUT_HZ.items():
    _at = output.around(_frequency)
    OUTPUT[_frequency] = _row(
        f"sub_max_level_{_name}hz_db",
        f"Maximum SPL at {_frequency:g} Hz, subwoofer",
        "dB",
        method="metrics#output-of-a-subwoofer",
        family="maximum SPL in the bass",
        better="high",
        step=0.1,
        matters=1.0,
        absolute=True,
        definition=f"Level delivered at 1 m at {_frequency:g} Hz at the lower of 3 dB compression and 10 % distortion",
        reads=(
            swept("compression", _at),
            swept("thd", _at),
            swept("compression", sub.REFERENCE),
            curve("on_axis", sub.REFERENCE),
            curve("on_axis", _at),
        ),
        compute=partial(_usable, frequency_hz=_frequency),
        ends=("loudest", "quietest"),
        strip=175 if _name == 40 else None,
    )
