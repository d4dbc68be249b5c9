"""A speaker's design in a few figures, and the sources (cones, domes, ports) that it comes to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.model import box, crossover
from seed_data.model.noise import generator

Resonance = tuple[float, float, float]  # centre Hz, Q, gain dB
WALL_M = 0.018
FILLED_BY_BRACES = 0.85
SUBWOOFER_LOW_PASS = (150.0, 4)


@dataclass(frozen=True)
class Voicing:
    """What the designer (or the budget) makes of the response: dB over or under flat."""

    tilt_db_per_octave: float = 0.0
    treble_db: float = 0.0  # shelf from about 5 kHz
    presence_db: float = 0.0  # bell at 2.8 kHz
    warmth_db: float = 0.0  # bell at 180 Hz
    step_left: float = 0.0  # share of the 6 dB baffle step left uncorrected
    evened_over_oct: float = 1.0  # the network levels the listening window over this width; small = digital


@dataclass(frozen=True)
class Setting:
    """One position of a powered speaker's switches (or a plugged port): its name, the switches, the filter in dB."""

    name: str
    switches: dict[str, str | float | bool]
    low_shelf: tuple[float, float] = (1.0, 0.0)  # corner Hz, dB
    bell: Resonance = (100.0, 1.0, 0.0)
    high_shelf: tuple[float, float] = (1e4, 0.0)
    bass_hz: float | None = None  # a subsonic filter moved, or a box closed
    closes_port: bool = False


PLAIN = Setting("plain", {})


@dataclass(frozen=True)
class Design:
    """One model of the catalogue. Sizes in mm and cm as on a data sheet; diameters are effective (half surround to
    half)."""

    maker: str
    model: str
    kind: str
    year: int
    price: float
    size_mm: tuple[int, int, int]  # height, width, depth
    woofer_cm: float
    bass_hz: float
    layout: str = "two-way"
    enclosure: str = "vented"
    powered: bool = False
    woofers: int = 1
    mid_cm: float | None = None
    tweeter_mm: float = 25.0
    coverage_deg: float | None = None  # of a waveguide
    mouth_cm: float | None = None
    crossover_hz: tuple[float, ...] = (2500.0,)
    order: int = 4
    alignment: str = "flat"
    box_hz: float | None = None  # the box itself, where the electronics reach lower
    care: float = 0.6  # 0…1: fewer and smaller resonances, better matched halves
    voicing: Voicing = Voicing()
    xmax_mm: float = 4.0
    limit_db: float | None = None  # of a powered speaker's amplifiers
    edge_mm: float = 3.0
    port_behind: bool = True
    ohm: float = 6.0
    settings: tuple[Setting, ...] = (PLAIN,)
    claim: tuple[float, bool, float] | None = None  # dB, pair, distance m
    heavy: float = 1.0
    sold: str = "pair"
    slug: str = ""

    @property
    def volume_m3(self) -> float:
        """Inside volume: outside less 18 mm walls (a third of that under 200 mm height), less braces."""
        height, width, depth = (size / 1000.0 for size in self.size_mm)
        wall = WALL_M if height > 0.2 else WALL_M / 3.0
        return FILLED_BY_BRACES * (height - 2 * wall) * (width - 2 * wall) * max(depth - 2 * wall, 0.03)

    @property
    def mass_kg(self) -> float:
        """Panels of 750 kg/m³ plus drivers of 9 g per cm² of cone, times how heavily it is built."""
        height, width, depth = (size / 1000.0 for size in self.size_mm)
        wall = WALL_M if height > 0.2 else WALL_M / 3.0
        panels = 2.0 * (height * width + height * depth + width * depth) * wall * 750.0
        cones = self.woofers * self.woofer_cm**2 + (self.mid_cm or 0.0) ** 2 + 10.0
        return round(self.heavy * (panels + 0.009 * cones), 1)


@dataclass(frozen=True)
class Source:
    """One radiator. position_m: x forward of the baffle (acoustic centre), y left, z up from the reference axis."""

    role: str  # woofer, mid, tweeter, port
    radius_m: float
    position_m: tuple[float, float, float]
    share: float = 1.0  # of the signal; negative where wired the other way round
    low: tuple[float, int] | None = None
    high: tuple[float, int] | None = None
    resonances: tuple[Resonance, ...] = ()
    coverage_deg: float | None = None
    mouth_m: float = 0.0
    decoupling_hz: float | None = None
    xmax_m: float = 4e-3
    second_db: float = -54.0  # motor distortion at 90 dB
    third_db: float = -60.0
    heat_k_per_w: float = 3.0
    leak: float = 0.0  # of a port: how loud its pipe resonance is
    pipe_hz: float = 1000.0


def _resonances(design: Design, role: str, low_hz: float, high_hz: float) -> tuple[Resonance, ...]:
    """Breakup, surround and cabinet modes of one driver: fewer and smaller with more care; fixed by the model's
    name."""
    rng = generator("resonances", design.maker, design.model, role)
    count = int(np.round(2 + 5 * (1.0 - design.care)))
    centres = np.exp(rng.uniform(np.log(low_hz), np.log(high_hz), count))
    qualities = np.exp(rng.uniform(np.log(1.5), np.log(7.0), count))
    gains = rng.normal(0.0, 0.35 + 1.5 * (1.0 - design.care), count)
    return tuple(zip(centres.tolist(), qualities.tolist(), gains.tolist(), strict=True))


def _woofer_places(design: Design, below_m: float) -> list[tuple[float, float]]:
    """(y, z) of the woofers re the tweeter: below it, round it (…-tweeter-…), or in a row beside it."""
    pitch = design.woofer_cm / 100.0 * 1.15
    if "coaxial" in design.layout and design.mid_cm is None:
        return [(0.0, -pitch * n) for n in range(design.woofers)]
    if design.kind == "soundbar":
        return [(1.3 * pitch * (n - (design.woofers - 1) / 2.0), 0.0) for n in range(design.woofers)]
    if design.layout == "tweeter between":
        return [(below_m, 0.0), (-below_m, 0.0)] if design.kind == "centre" else [(0.0, below_m), (0.0, -below_m)]
    return [(0.0, -below_m - pitch * n) for n in range(design.woofers)]


def _upper_sources(design: Design, delayed: bool) -> list[Source]:
    """Midrange and tweeter(s), the tweeter on the reference axis; a coaxial one sits in the cone it shares the axis
    with."""
    order, top = design.order, design.crossover_hz[-1]
    tweeter_radius = design.tweeter_mm / 2000.0
    mouth = (design.mouth_cm or 0.0) / 200.0
    recess = 0.0 if delayed else -0.015 if design.coverage_deg else 0.0
    heat = 9.0
    out = []
    invert = crossover.polarity(order)  # once per crossover on the way up
    out.append(
        Source(
            "tweeter",
            tweeter_radius,
            (recess, 0.0, 0.0),
            invert ** len(design.crossover_hz),
            high=(top, order),
            coverage_deg=design.coverage_deg,
            mouth_m=mouth,
            xmax_m=0.4e-3,
            second_db=-56.0,
            third_db=-64.0,
            heat_k_per_w=heat,
            resonances=_resonances(design, "tweeter", 3000.0, 16000.0),
        )
    )
    if design.mid_cm is not None:
        low = design.crossover_hz[0]
        coaxial = "coaxial" in design.layout
        drop = 0.0 if coaxial else design.mid_cm / 200.0 * 1.1 + max(mouth, 0.05)
        out.append(
            Source(
                "mid",
                design.mid_cm / 200.0,
                (0.0 if delayed or coaxial else -0.12 * design.mid_cm / 100.0, 0.0, -drop),
                invert,
                low=(top, order),
                high=(low, order),
                xmax_m=1.5e-3,
                second_db=-58.0,
                third_db=-63.0,
                heat_k_per_w=4.5,
                decoupling_hz=4.0e4 / design.mid_cm,
                resonances=_resonances(design, "mid", 400.0, 5000.0),
            )
        )
    return out


def box_of(design: Design, closed: bool = False) -> box.VentedBox | box.SealedBox:
    """The box itself, before any equaliser."""
    corner = design.box_hz or design.bass_hz
    if design.enclosure == "vented" and not closed:
        return box.vented(corner, design.alignment)
    return box.sealed(corner * (1.35 if closed else 1.0), design.alignment)


def port_radius_m(design: Design) -> float:
    """A port of a sixth of the cones' area, no wider than 5 cm."""
    return float(min(np.sqrt(design.woofers / 6.0) * design.woofer_cm / 200.0, 0.05))


def sources(design: Design) -> tuple[Source, ...]:
    """All radiators of a design, woofers first. A single-driver design has no tweeter."""
    one_way = design.layout == "full-range" or design.kind == "subwoofer"
    delayed = design.voicing.evened_over_oct < 0.5  # a digital crossover aligns the centres in time
    upper = [] if one_way else _upper_sources(design, delayed)
    radius = design.woofer_cm / 200.0
    mouth = max((design.mouth_cm or 0.0) / 200.0, 0.05)
    below = radius * 1.1 + mouth
    if design.mid_cm is not None:
        below += design.mid_cm / 100.0 * (0.0 if "coaxial" in design.layout else 1.1) + 0.02
        if "coaxial" in design.layout:
            below = radius * 1.1 + design.mid_cm / 200.0 * 1.2
    low = (
        (SUBWOOFER_LOW_PASS if design.kind == "subwoofer" else None)
        if one_way
        else (design.crossover_hz[0], design.order)
    )
    depth = 0.0 if delayed or one_way or "coaxial" in design.layout else -0.14 * design.woofer_cm / 100.0
    places = [(0.0, 0.0)] if one_way and design.woofers == 1 else _woofer_places(design, below)
    breakup = _resonances(design, "woofer", 250.0, 9000.0 if one_way else 4500.0)
    woofers = [
        Source(
            "woofer",
            radius,
            (depth, y, z),
            1.0 / len(places),
            low=low,
            resonances=breakup,
            decoupling_hz=4.0e4 / design.woofer_cm,
            xmax_m=design.xmax_mm / 1000.0,
            second_db=-50.0 - 8.0 * design.care,
            third_db=-54.0 - 10.0 * design.care,
            heat_k_per_w=3.0,
        )
        for y, z in places
    ]
    ports = []
    if design.enclosure == "vented":
        a = port_radius_m(design)
        length = max(box.port_length_m((design.box_hz or design.bass_hz), design.volume_m3, a), 0.04)
        height, depth = design.size_mm[0] / 1000.0, design.size_mm[2] / 1000.0
        rng = generator("port", design.maker, design.model)
        ports.append(
            Source(
                "port",
                a,
                (-depth if design.port_behind else 0.0, 0.0, -0.6 * height),
                leak=0.02 + 0.16 * (1 - design.care) * float(rng.uniform(0.5, 1.5)),
                pipe_hz=box.pipe_resonance_hz(min(length, 0.3), a),
            )
        )
    return (*woofers, *ports, *upper)
