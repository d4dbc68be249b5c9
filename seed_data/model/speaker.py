"""From a design to its sound field: complex pressure of every source in every direction, then levels at 1 m."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.model import baffle, box, crossover, electronics, piston
from seed_data.model.air import (
    FREQUENCY_HZ,
    ComplexArray,
    FloatArray,
    energy_mean_db,
    level_db,
    smooth_db,
    wave_number,
)
from seed_data.model.design import PLAIN, Design, Setting, Source, box_of, sources
from seed_data.model.noise import generator

ORBIT_DEG: FloatArray = np.arange(-170.0, 181.0, 10.0)
FINE_ORBIT_DEG: FloatArray = np.arange(-175.0, 181.0, 5.0)
WALL_CAVITY_M3 = 0.03
BAND = (FREQUENCY_HZ >= 300) & (FREQUENCY_HZ <= 3000)  # what levels are referred to
LISTENING_WINDOW = (*((True, angle) for angle in (0, 10, -10, 20, -20, 30, -30)), (False, 10), (False, -10))


@dataclass(frozen=True, eq=False)
class Field:
    """A speaker in one setting, noiseless. level_db (n, F) at 1 m; horizontal, angle_deg (n,).

    drive (S, F): what each source is asked for, half-space pressure re the on-axis mean of 300 Hz–3 kHz; axis (S, F):
    what arrives of it on the axis, same reference; the sum over S is the on-axis response. reference_db: the level that
    mean stands for in level_db.
    """

    horizontal: np.ndarray
    angle_deg: FloatArray
    level_db: FloatArray
    sources: tuple[Source, ...]
    drive: ComplexArray
    axis: ComplexArray
    reference_db: float


def orbit_directions(angle_deg: FloatArray, horizontal: bool) -> FloatArray:
    """Unit vectors (n, 3), x on the axis, y to the left, z up."""
    angle = np.radians(angle_deg)
    out = np.zeros((angle.size, 3))
    out[:, 0] = np.cos(angle)
    out[:, 1 if horizontal else 2] = np.sin(angle)
    return out


def _source_radius(source: Source) -> FloatArray:
    if source.coverage_deg is not None:
        return piston.waveguide_radius(FREQUENCY_HZ, source.radius_m, source.mouth_m, source.coverage_deg)
    return piston.decoupled_radius(FREQUENCY_HZ, source.radius_m, source.decoupling_hz)


def _bass(design: Design, setting: Setting, role: str) -> ComplexArray:
    """The box's share for a woofer or the port, with the electronics' reach below it (no more than 12 dB)."""
    enclosure = box_of(design, setting.closes_port)
    if isinstance(enclosure, box.SealedBox):
        whole = box.sealed_response(FREQUENCY_HZ, enclosure)
        part = whole if role == "woofer" else np.zeros_like(whole)
    else:
        whole = box.vented_response(FREQUENCY_HZ, enclosure)
        share = box.vented_cone if role == "woofer" else box.vented_port
        part = share(FREQUENCY_HZ, enclosure)
    target_hz = setting.bass_hz or (design.bass_hz if design.box_hz else None)
    if target_hz is None:
        return part
    target = box.vented_response(FREQUENCY_HZ, box.vented(target_hz, "flat"))
    return part * np.minimum(np.abs(target) / np.abs(whole), 4.0)


def _pipe(source: Source) -> ComplexArray:
    s = 1j * FREQUENCY_HZ / source.pipe_hz
    return np.asarray(source.leak * (s / 8.0) / (s**2 + s / 8.0 + 1.0))


def source_drive(design: Design, setting: Setting, source: Source, with_box: bool = True) -> ComplexArray:
    """Half-space pressure of one source re a flat driver, (F,): filters, box, resonances."""
    out = np.full(FREQUENCY_HZ.shape, source.share, dtype=np.complex128)
    if source.low is not None and (with_box or design.kind != "subwoofer"):
        out *= crossover.low_pass(FREQUENCY_HZ, *source.low)
    if source.high is not None:
        out *= crossover.high_pass(FREQUENCY_HZ, *source.high)
    for resonance in source.resonances:
        out *= electronics.bell(FREQUENCY_HZ, *resonance)
    if source.role == "woofer" and with_box:
        out *= _bass(design, setting, "woofer")
    if source.role == "port":
        if not with_box or setting.closes_port:
            return np.zeros_like(out)
        out *= _bass(design, setting, "port") + _pipe(source)
    return out


def source_field(design: Design, source: Source, directions: FloatArray) -> ComplexArray:
    """Directivity of one source on its cabinet with the travel time of its place, (n, F)."""
    height, width, depth = (size / 1000.0 for size in design.size_mm)
    forward = directions[:, 0]
    travel = np.exp(1j * wave_number(FREQUENCY_HZ) * (directions @ np.array(source.position_m))[:, None])
    if source.role == "port":
        shade = baffle.shadow_factor(FREQUENCY_HZ, depth, -forward if design.port_behind else forward)
        return np.asarray(0.5 * shade * travel)
    ka = wave_number(FREQUENCY_HZ) * _source_radius(source)
    off_axis = np.arccos(np.clip(forward, -1.0, 1.0))
    direct = piston.piston_directivity(ka, off_axis[:, None])
    if design.kind == "in-wall":
        return np.asarray(np.where(forward[:, None] >= -1e-9, direct, 1e-3) * travel)
    _, y, z = source.position_m
    # The reference axis is that of the tweeter, a little below the top of the box; bars and centres have it in the
    # middle.
    central = design.kind in {"soundbar", "centre"} or "coaxial" in design.layout or design.layout == "full-range"
    above = height / 2.0 if central else min(0.25 * height, 0.05 + (design.mouth_cm or 8.0) / 200.0)
    if design.layout == "tweeter between" and design.kind != "centre":
        above = min(height / 2.0, 0.06 + 2.4 * design.woofer_cm / 100.0)
    margin = 0.02
    rays = 2.0 * np.pi * (np.arange(baffle.RAYS) + 0.5) / baffle.RAYS
    edges = baffle.edge_distance_m(
        rays,
        max(width / 2.0 - y, margin),
        max(width / 2.0 + y, margin),
        max(height - above + z, margin),
        max(above - z, margin),
    )
    # A real mouth or surround keeps sending a little along the baffle where the ideal piston sends nothing.
    grazing = np.maximum(np.abs(piston.piston_directivity(ka, np.full(1, np.pi / 2.0))), 0.15)
    cabinet = baffle.cabinet_response(
        FREQUENCY_HZ, directions, edges, rays, direct, grazing, design.edge_mm / 1000.0, depth
    )
    return np.asarray(cabinet * travel)


def _window_db(levels: FloatArray, horizontal: np.ndarray, angle_deg: FloatArray) -> FloatArray:
    rows = [int(np.flatnonzero((horizontal == h) & (angle_deg == angle))[0]) for h, angle in LISTENING_WINDOW]
    return energy_mean_db(levels[rows])


def voicing_db(design: Design) -> FloatArray:
    """The response the designer aims at, re flat, (F,)."""
    voice = design.voicing
    step_hz = 115.0 / (design.size_mm[1] / 1000.0)  # half of the baffle step, common practice
    out = voice.tilt_db_per_octave * np.log2(FREQUENCY_HZ / 1000.0)
    out += level_db(electronics.high_shelf(FREQUENCY_HZ, 5000.0, voice.treble_db))
    out += level_db(electronics.bell(FREQUENCY_HZ, 2800.0, 0.9, voice.presence_db))
    out += level_db(electronics.bell(FREQUENCY_HZ, 180.0, 0.9, voice.warmth_db))
    out += level_db(electronics.low_shelf(FREQUENCY_HZ, step_hz, -6.0 * voice.step_left))
    return out


def setting_db(setting: Setting) -> FloatArray:
    """The switches' filter, (F,)."""
    return (
        level_db(electronics.low_shelf(FREQUENCY_HZ, *setting.low_shelf))
        + level_db(electronics.bell(FREQUENCY_HZ, *setting.bell))
        + level_db(electronics.high_shelf(FREQUENCY_HZ, *setting.high_shelf))
    )


def sensitivity_db(design: Design) -> float:
    """Level at 1 m for 2.83 V: the box's efficiency (Small), less 4 dB for the baffle step, plus 10·log10(8/R)."""
    is_vented = design.enclosure == "vented"
    if design.kind == "in-wall":  # the wall is the box, and there is no step
        return box.sensitivity_half_space_db(box.efficiency(design.bass_hz, WALL_CAVITY_M3, False)) + 10.0 * float(
            np.log10(8.0 / design.ohm)
        )
    half = box.sensitivity_half_space_db(box.efficiency(design.bass_hz, design.volume_m3, is_vented))
    full_step = 4.0 * (1.0 - design.voicing.step_left)
    return half - full_step + 10.0 * float(np.log10(8.0 / design.ohm))


def watt_level_db(design: Design, source: Source) -> float:
    """Half-space level at 1 m that 1 W makes in one driver: from the box (passive woofers), else by size, our own
    judgement."""
    if source.role == "tweeter":
        return 91.0
    if source.role == "mid":
        return 90.0
    if not design.powered:
        return sensitivity_db(design) + 4.0 - 10.0 * float(np.log10(8.0 / design.ohm))
    return 86.0 + 10.0 * float(np.log10(design.woofers * (design.woofer_cm / 13.0) ** 2))


def _gain_db(design: Design) -> float:
    """Where the volume knob of a powered speaker happened to stand: 84 to 92 dB."""
    return float(generator("gain", design.maker, design.model).uniform(84.0, 92.0))


SUBWOOFER_BAND_HZ = (40.0, 100.0)  # what levels of subwoofers are referred to


def band_of(design: Design) -> np.ndarray:
    """(F,) bool: what levels and drives of a design are the on-axis mean over."""
    if design.kind != "subwoofer":
        return BAND
    low, high = SUBWOOFER_BAND_HZ
    return (low <= FREQUENCY_HZ) & (high >= FREQUENCY_HZ)


def field_of(design: Design, settings: tuple[Setting, ...], orbit_deg: FloatArray = ORBIT_DEG) -> list[Field]:
    """One field per setting. The network is fixed with the design (in its plain setting); the settings come on top."""
    horizontal = np.repeat([True, False], orbit_deg.size)
    angle = np.tile(orbit_deg, 2)
    directions = np.concatenate([orbit_directions(orbit_deg, True), orbit_directions(orbit_deg, False)])
    parts = sources(design)
    fields = np.stack([source_field(design, source, directions) for source in parts])
    axis_row = int(np.flatnonzero(horizontal & (angle == 0.0))[0])

    bare = np.stack([source_drive(design, PLAIN, source, with_box=False) for source in parts])
    window = _window_db(level_db(np.einsum("sf,snf->nf", bare, fields)), horizontal, angle)
    network = np.clip(-smooth_db(FREQUENCY_HZ, window, design.voicing.evened_over_oct), -14.0, 14.0) + voicing_db(
        design
    )

    absolute = sensitivity_db(design) if not design.powered else _gain_db(design)
    band = band_of(design)
    out = []
    plain_mean: float | None = None
    for setting in (PLAIN, *settings):
        drive = np.stack([source_drive(design, setting, source) for source in parts])
        drive = drive * 10.0 ** ((network + setting_db(setting)) / 20.0)
        pressure = np.einsum("sf,snf->nf", drive, fields)
        levels = level_db(pressure)
        mean = float(np.mean(levels[axis_row][band]))
        if plain_mean is None:
            plain_mean = mean
            continue
        scale = 10.0 ** (-mean / 20.0)
        out.append(
            Field(
                horizontal,
                angle,
                levels - plain_mean + absolute,
                parts,
                drive * scale,
                drive * fields[:, axis_row] * scale,
                absolute,
            )
        )
    return out
