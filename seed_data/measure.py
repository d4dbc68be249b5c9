"""From the noiseless model to what a bench would export: the errors are added, then curves are cut to the visit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.errors import Errors
from seed_data.model import box, impedance
from seed_data.model.air import FREQUENCY_HZ, POINTS_PER_OCTAVE, FloatArray, energy_mean_db, smooth_db
from seed_data.model.design import Design, box_of
from seed_data.model.speaker import BAND, Field
from seed_data.model.strain import Strain, strain_of
from seed_data.plan import Visit

DRIVES_DB: FloatArray = np.array([68.0, 74.0, 80.0, 86.0, 92.0, 96.0, 100.0, 104.0, 108.0])
LINEAR_DB_PER_DB = 0.015  # half of what the database allows between the two lowest drives
AMPLIFIER_DB = 20.0  # the benches' amplifier: 100 W


@dataclass(frozen=True, eq=False)
class Curves:
    """Exported responses: frequency_hz (F,), horizontal and angle_deg (n,), level_db (n, F)."""

    frequency_hz: FloatArray
    horizontal: np.ndarray
    angle_deg: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class Sweeps:
    """Exported drives: frequency_hz (F,), drive_db (K,), one (K, F) table per component."""

    frequency_hz: FloatArray
    drive_db: FloatArray
    tables: dict[str, FloatArray]


def _wanted(visit: Visit, field: Field) -> np.ndarray:
    wanted = np.ones(field.angle_deg.shape, bool)
    if visit.angles == "horizontal":
        wanted &= field.horizontal
    if visit.angles == "front":
        wanted &= np.abs(field.angle_deg) <= 90.0
    if visit.symmetric:
        wanted &= ~field.horizontal | (field.angle_deg >= 0.0)
    return np.asarray(wanted)


def _coarse(levels: FloatArray, points: int) -> tuple[FloatArray, FloatArray]:
    """Energy averages over bands of 1/points octave, at the nominal spacing."""
    group = POINTS_PER_OCTAVE // points
    count = FREQUENCY_HZ.size // group
    cut = levels[:, : count * group].reshape(levels.shape[0], count, group)
    centres = np.exp(np.log(FREQUENCY_HZ[: count * group]).reshape(count, group).mean(axis=1))
    return np.round(centres, 2), energy_mean_db(cut, axis=2)


def responses(visit: Visit, field: Field, errors: Errors) -> Curves:
    """The directional curves as the bench exports them; field over the visit's orbit."""
    cosine = np.cos(np.radians(field.angle_deg))
    level = field.level_db + errors.sample_db(visit, cosine) + errors.measuring_db(visit, cosine.size)
    if visit.level_is == "spl_at_distance":
        level = level - 20.0 * np.log10(visit.distance_m)
    if visit.level_is == "relative":
        level = level - np.mean(level[:, BAND])
    keep = _wanted(visit, field)
    level, frequency = level[keep], FREQUENCY_HZ
    if visit.smoothing_oct is not None:
        level = smooth_db(frequency, level, visit.smoothing_oct)
    if visit.points != POINTS_PER_OCTAVE:
        frequency, level = _coarse(level, visit.points)
    low, high = visit.valid_hz
    inside = (frequency >= (low or 0.0) * 0.8) & (frequency <= (high or 1e9) * 1.25)
    return Curves(frequency[inside], field.horizontal[keep], field.angle_deg[keep], level[:, inside])


def drives_db(visit: Visit, field: Field) -> FloatArray:
    """The drives the bench goes through: from where the speaker is still linear until it gives 3.5 dB less than asked
    for."""
    loss = strain_of(visit.design, field, DRIVES_DB).loss_db
    slope = np.diff(loss) / np.diff(DRIVES_DB)
    first = int(np.flatnonzero(visit.first_drive_db <= DRIVES_DB)[0])
    while first > 0 and slope[first] > LINEAR_DB_PER_DB:
        first -= 1
    gone = np.flatnonzero(loss > 3.5)
    last = int(gone[0]) if gone.size else DRIVES_DB.size - 1
    if not visit.design.powered:
        last = min(last, int(np.flatnonzero(field.reference_db + AMPLIFIER_DB >= DRIVES_DB)[-1]))
    return DRIVES_DB[first : last + 1]


def sweeps(visit: Visit, field: Field, errors: Errors) -> tuple[Sweeps, Sweeps, Sweeps]:
    """Compression, harmonics (12 per octave) and multitone (6 per octave), with the errors of sweeps.

    The analyser's scale ends at 100 % of the fundamental, which small speakers pass in the lowest bass.
    """
    strain: Strain = strain_of(visit.design, field, drives_db(visit, field))
    drives = strain.drive_db.size
    unit = errors.sample_db(visit, np.ones(1))
    unit = unit - np.mean(unit[:, strain.band])
    level = strain.level_db + unit + errors.compression_db(visit, drives)
    harmonics = {"h2": strain.second, "h3": strain.third, "thd": strain.total}
    tones = {"multitone": strain.multitone, "multitone_hp80": strain.multitone_hp80}

    def noisy(tables: dict[str, FloatArray], step: int) -> Sweeps:
        levels = {
            name: np.minimum(20.0 * np.log10(ratio) + errors.distortion_db(visit, name, drives), 0.0)[:, ::step]
            for name, ratio in tables.items()
        }
        return Sweeps(FREQUENCY_HZ[::step], strain.drive_db, levels)

    high = visit.valid_hz[1] or np.inf
    if visit.design.kind == "subwoofer":
        tones = {}
    whole = Sweeps(FREQUENCY_HZ, strain.drive_db, {"": level})
    return tuple(_up_to(part, high) for part in (whole, noisy(harmonics, 2), noisy(tones, 4)))  # type: ignore[return-value]


def _up_to(sweeps: Sweeps, high_hz: float) -> Sweeps:
    inside = sweeps.frequency_hz <= high_hz
    tables = {name: table[:, inside] for name, table in sweeps.tables.items()}
    return Sweeps(sweeps.frequency_hz[inside], sweeps.drive_db, tables)


def electrical(visit: Visit, errors: Errors) -> tuple[FloatArray, FloatArray]:
    """Impedance of a passive speaker: magnitude in ohm, with its error, and phase in degrees."""
    total = impedance_of(visit.design, closed=visit.setting == "plugged")
    return np.abs(total) * errors.impedance_factor(visit), np.degrees(np.angle(total))


def impedance_of(design: Design, closed: bool = False) -> np.ndarray:
    """Complex impedance over FREQUENCY_HZ: the woofer in its box and its low-pass, in parallel with the branches
    above."""
    resistance = 0.8 * design.ohm
    enclosure = box_of(design, closed)
    peak = 5.0 * design.ohm
    if isinstance(enclosure, box.SealedBox):
        motional = box.sealed_motional(FREQUENCY_HZ, enclosure, 4.0)
    else:
        motional = box.vented_motional(FREQUENCY_HZ, enclosure, 5.0)
    coil = 4e-4 * design.ohm / 8.0 * (design.woofer_cm / 13.0)
    woofer = impedance.driver_impedance(FREQUENCY_HZ, resistance, peak, motional, coil)
    if design.layout == "full-range":
        return woofer
    branches = [impedance.low_pass_branch(FREQUENCY_HZ, woofer, resistance, design.crossover_hz[0])]
    corner = design.crossover_hz[-1]
    upper = np.full(FREQUENCY_HZ.shape, design.ohm * 0.9, dtype=np.complex128)
    if len(design.crossover_hz) > 1:
        middle = impedance.low_pass_branch(FREQUENCY_HZ, upper, design.ohm, corner)
        branches.append(impedance.high_pass_branch(FREQUENCY_HZ, middle, design.ohm, design.crossover_hz[0]))
    branches.append(impedance.high_pass_branch(FREQUENCY_HZ, upper, design.ohm, corner))
    return impedance.parallel(*branches)
