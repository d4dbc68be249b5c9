"""Metrics of directivity (method:metrics#directivity): rows, each below what it computes."""

from __future__ import annotations

from functools import partial
from math import inf

import numpy as np

from speakerdb.acoustics import bounds, curveset, grid, response
from speakerdb.acoustics import directivity as d
from speakerdb.acoustics.bounds import AT_LEAST, Bounded, exact
from speakerdb.acoustics.directivity import Angle
from speakerdb.acoustics.measured import SIDES, Measured, Plane, Side, curve, single, words
from speakerdb.metric import CTA, Metric, Pattern, Sphere

ROWS: list[Metric] = []
_WIDTH = ("widest", "narrowest")
_EVENNESS = ("least even", "most even")


def _row(id: str, label: str, unit: str, **more: object) -> Metric:
    metric = Metric(id, label, unit, group="directivity", **more)  # type: ignore[arg-type]
    ROWS.append(metric)
    return metric


# beamwidth

_FIRST: dict[Side, list[int]] = {
    "left": curveset.h(10),
    "right": curveset.h(-10),
    "up": curveset.v(10),
    "down": curveset.v(-10),
}


def _beside(plane: Plane) -> list[int]:
    """The first angles off the axis on either side."""
    return [slot for side in SIDES[plane] for slot in _FIRST[side]]


def _beamwidth(m: Measured, plane: Plane) -> Bounded:
    width = m.beamwidth(plane)
    return m.unknown if width is None else bounds.flagged(width.median_deg, width.at_least, AT_LEAST)


def _beamwidth_evenness(m: Measured, plane: Plane) -> Bounded:
    width = m.beamwidth(plane)
    return m.unknown if width is None else exact(width.sd_oct)


def _beam(plane: Plane) -> tuple[Pattern, ...]:
    return (single([curveset.ON_AXIS, *_beside(plane)], d.BEAM, name=f"beamwidth_{plane}"),)


_PLANES: tuple[Plane, Plane] = ("horizontal", "vertical")
BEAMWIDTHS = tuple(
    _row(
        f"beamwidth_{plane}_deg",
        f"{plane.capitalize()} beamwidth",
        "°",
        better="neither",
        step=1.0,
        matters=10.0,
        definition=f"Median over {{band}} of the full −6 dB angle in the {plane} plane",
        reads=_beam(plane),
        compute=partial(_beamwidth, plane=plane),
        method="metrics#beamwidth",
        two_valued=True,
        nature=(0.0, 360.0),
        ends=_WIDTH,
        strip=strip,
    )
    for plane, strip in zip(_PLANES, (100, 110), strict=True)
)
BEAMWIDTH_EVENNESS = {}  # by plane
for _plane, _ripple in zip(_PLANES, (True, False), strict=True):
    BEAMWIDTH_EVENNESS[_plane] = _row(
        f"beamwidth_{_plane}_sd_oct",
        f"{_plane.capitalize()} beamwidth deviation",
        "octaves",
        better="low",
        step=0.01,
        matters=0.1,
        definition="Standard deviation of log2(full −6 dB angle) about its line over log frequency, {band}",
        reads=_beam(_plane),
        compute=partial(_beamwidth_evenness, plane=_plane),
        method="metrics#beamwidth",
        ripple=_ripple,
        nature=(0.0, inf),
        ends=_EVENNESS,
        otherwise=f"the {_plane} pattern is wider than the angles measured, in part of {words(d.BEAM)}",
    )


# how far the tone holds

_TONE = "up to which the tone holds (shape within 1.5 dB RMS and level within 6 dB of the listening window)"
_tone = partial(
    _row,
    unit="°",
    better="high",
    step=1.0,
    matters=10.0,
    method="metrics#how-far-the-tone-holds",
    two_valued=True,
    nature=(0.0, 180.0),
    family="off-axis timbre",
)


def _held(m: Measured, angle: Angle | None) -> Bounded:
    return m.unknown if angle is None else bounds.flagged(angle.deg, angle.at_least, AT_LEAST)


def _tone_to(m: Measured, side: Side) -> Bounded:
    return _held(m, m.tone(side))


def _against_window(slots: list[int], toward: str = "") -> tuple[Pattern, ...]:
    return (single([*curveset.SLOTS_OF["listening_window"], *slots], d.TONE, toward),)


_TOWARD: dict[Side, str] = {"left": "to the left", "right": "to the right", "up": "upward", "down": "downward"}
TONE = {
    side: _tone(
        f"tone_{side}_deg",
        f"Off-axis timbre angle, {side}",
        definition=f"Angle {toward} {_TONE}",
        reads=_against_window(_FIRST[side], side),
        compute=partial(_tone_to, side=side),
    )
    for side, toward in _TOWARD.items()
}


def _tone_width(m: Measured, plane: Plane) -> Bounded:
    a, b = (m.tone(side) for side in SIDES[plane])
    return _held(m, None if a is None or b is None else d.worse(a, b))


for _plane, _strip in zip(_PLANES, (120, 130), strict=True):
    _both = " and ".join(_TOWARD[side] for side in SIDES[_plane])
    _tone(
        f"tone_width_{_plane}_deg",
        f"Off-axis timbre width, {_plane}",
        definition=f"The smaller of the angles {_both} {_TONE}",
        reads=_against_window(_beside(_plane)),
        compute=partial(_tone_width, plane=_plane),
        worst=True,
        ends=_WIDTH,
        strip=_strip,
    )


# directivity index

_index = partial(_row, unit="dB", better="neither", step=0.1, matters=1.0, method="metrics#directivity-index")


def _di_power(m: Measured) -> Bounded:
    return exact(response.mean(m.curves.di_power, d.TONE))


_index(
    "di_power_mean_db",
    "Directivity index",
    definition="Mean of the sound-power directivity index, {band}",
    source=CTA,
    reads=(curve("di_power", d.TONE),),
    compute=_di_power,
    strip=140,
    gate_adds=0.02,  # as the two below: what gates of 3.5 to 8 ms did to modelled speakers (tests/derive/test_gates.py)
)


def _di_sphere(m: Measured) -> Bounded:
    return m.unknown if m.sphere_db is None else exact(response.mean(m.curves.lw - m.sphere_db, d.TONE))


_index(
    "di_sphere_mean_db",
    "Directivity index over the full sphere",
    definition="Mean over {band} of the listening window minus the sound power of all directions around, where they "
    "were measured: "
    "two orbits can miss lobes that lie between them",
    reads=(Sphere(*grid.named(d.TONE)), curve("listening_window", d.TONE)),
    compute=_di_sphere,
)


# directivity ripple

_even = partial(_row, unit="dB", better="low", step=0.01, ripple=True, nature=(0.0, inf), family="directivity ripple")


def _di_power_ripple(m: Measured) -> Bounded:
    return exact(response.line(m.curves.di_power, d.TONE).ripple)


_even(
    "di_power_ripple_db",
    "Ripple of the sound-power directivity index",
    matters=0.3,
    definition="Standard deviation of the sound-power directivity index about its line over log frequency, {band}",
    reads=(curve("di_power", d.TONE),),
    compute=_di_power_ripple,
    method="metrics#directivity-ripple",
    gate_adds=0.03,
    ends=_EVENNESS,
    strip=150,
)


def _di_early_ripple(m: Measured) -> Bounded:
    return exact(response.line(m.curves.di_early, d.TONE).ripple)


_even(
    "di_early_ripple_db",
    "Ripple of the early-reflections directivity index",
    matters=0.3,
    definition="Standard deviation of the early-reflections directivity index about its line, {band}",
    reads=(curve("di_early", d.TONE),),
    compute=_di_early_ripple,
    method="metrics#directivity-ripple",
    gate_adds=0.01,
    ends=_EVENNESS,
)


# turning


def _turning(m: Measured) -> Bounded:
    if m.turned is None:
        return m.unknown
    turned = m.turned()
    return exact(np.asarray(d.turning_sensitivity(turned.level_db, turned.points)))


_even(
    "turning_sensitivity_db",
    "Toe-in sensitivity",
    matters=0.2,
    family="",
    definition="Change of the predicted in-room curve as the speaker is turned by 0 to 30°, RMS over {band}",
    reads=(curve("in_room", d.TONE, turned=True),),
    compute=_turning,
    method="metrics#turning",
    strip=160,
)
