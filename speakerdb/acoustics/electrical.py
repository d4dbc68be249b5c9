"""What the amplifier sees (method:metrics#impedance): magnitude and phase over frequency, the load that they are on an
amplifier's output devices, and what box shows in them. Impedances (..., 199) in Ω, phases in degrees, NaN where not
measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

WHOLE = grid.band(20.0, 20000.0)
WATT_VOLT = 2.83  # 1 W into 8 Ω (IEC 60268-5, from memory)
RATED_OHM = 8.0
TUNED_TO_HZ = 200.0  # above it a maximum is a voice coil's or a crossover's, not the box's
FLOOR_BAND = grid.band(100.0, 400.0)
MAXIMUM_OVER = 1.15  # of the least magnitude there: lower bumps are no resonance (own judgement)
DIP_UNDER = 0.9  # of the lower of two maxima: with less of a dip between them they are one (own judgement)


def on_grid(frequency_hz: Floats, magnitude_ohm: Floats, phase_deg: Floats | None) -> tuple[Array, Array | None]:
    """(199,) magnitude, power-averaged as levels are, and phase, from the complex values between the raw points, linear
    over log f; None where none was measured. Not rounded."""
    level = grid.to_grid(frequency_hz, 20.0 * np.log10(magnitude_ohm)[None])[0]
    if phase_deg is None or np.isnan(phase_deg).all():
        return 10.0 ** (level / 20.0), None
    there = ~np.isnan(phase_deg) & ~np.isnan(magnitude_ohm)
    x, z = np.log2(frequency_hz[there]), magnitude_ohm[there] * np.exp(1j * np.radians(phase_deg[there]))
    phase = np.degrees(np.angle(np.interp(grid.LOG2_HZ, x, z.real) + 1j * np.interp(grid.LOG2_HZ, x, z.imag)))
    known = np.isfinite(grid.to_grid(frequency_hz[there], np.zeros((1, int(there.sum()))))[0])
    return 10.0 ** (level / 20.0), np.where(known, phase, np.nan)


@dataclass(frozen=True, eq=False)
class Lowest:
    """ohm, hz (...): the lowest value over 20 Hz–20 kHz and where it is; NaN where a part is not measured. at_edge: it
    lies at the end of what the grid holds, and may go on falling beyond."""

    ohm: Array
    hz: Array
    at_edge: NDArray[np.bool_]


def lowest(ohm: Floats) -> Lowest:
    """Of (..., 199)."""
    part = ohm[..., WHOLE]
    missing = np.isnan(part).any(axis=-1)
    at = np.where(np.isnan(part), np.inf, part).argmin(axis=-1)
    value = np.take_along_axis(part, at[..., None], axis=-1)[..., 0]
    edge = (at == 0) | (at == part.shape[-1] - 1)
    hz = grid.FREQUENCY_HZ[WHOLE][at]
    return Lowest(np.where(missing, np.nan, value), np.where(missing, np.nan, hz), edge & ~missing)


def epdr(magnitude_ohm: Floats, phase_deg: Floats) -> Array:
    """Equivalent peak dissipation resistance: the resistor that would heat a class B stage's output devices as much as
    this load does at its worst moment.

    A stage at supply V and output a·V·sin t loses in the conducting device (1 − a·sin t)·a·sin(t − φ)·V²/|Z|. That is
    largest at a = 1 and t = 150° + 2φ/3 (its derivative vanishes there; derived, after E. Benjamin, Journal of the
    Audio Engineering Society, 1994, from memory), and a resistor R loses at most V²/4R, at a = ½. So R =
    |Z|/(8·sin³(30° + |φ|/3)): |Z| itself where it is real, 0.1925 of it at 90°."""
    third = np.sin(np.radians(30.0 + np.abs(phase_deg) / 3.0))
    return np.asarray(magnitude_ohm / (8.0 * third**3), np.float64)


def sensitivity(level_db: Floats, drive_voltage_v: Floats | float) -> Array:
    """A level (...) measured at a voltage, referred to 2.83 V."""
    return np.asarray(level_db + 20.0 * np.log10(WATT_VOLT / np.asarray(drive_voltage_v, np.float64)))


def of_one_watt(sensitivity_db: Floats, lowest_ohm: Floats) -> Array:
    """The same (...) for 1 W into the lowest impedance: + 10·log10(Zmin/8)."""
    return np.asarray(sensitivity_db + 10.0 * np.log10(lowest_ohm / RATED_OHM))


@dataclass(frozen=True, eq=False)
class Tuning:
    """hz (...): of a box with two maxima (a port or a passive radiator) the minimum between them, fb; of one with a
    single maximum (a closed box) that, fc; NaN with none or more. closed (...): whether it is the latter."""

    hz: Array
    closed: NDArray[np.bool_]


def box_tuning(magnitude_ohm: Floats) -> Tuning:
    """From magnitudes (..., 199): maxima below 200 Hz that exceed 1.15 times the least of 100–400 Hz; their place, and
    that of the minimum between, by a parabola over log f. One factor on a whole curve changes nothing."""
    shape = magnitude_ohm.shape[:-1]
    rows = np.asarray(magnitude_ohm, np.float64).reshape(-1, magnitude_ohm.shape[-1])
    # curves that differ by a factor alone, as draws do, are looked at once
    alike, place = np.unique(np.round(rows / rows.max(axis=1, keepdims=True), 6), axis=0, return_inverse=True)
    found = [_tuning(row) for row in alike]
    place = place.reshape(-1)
    hz, closed = (np.array([f[i] for f in found])[place].reshape(shape) for i in (0, 1))
    return Tuning(hz.astype(np.float64), closed.astype(bool))


def _tuning(ohm: Array) -> tuple[float, bool]:
    below = int(np.searchsorted(grid.FREQUENCY_HZ, TUNED_TO_HZ))
    floor = ohm[FLOOR_BAND]
    if np.isnan(ohm[: max(below + 1, FLOOR_BAND.stop)]).any():
        return float("nan"), False
    # a curve that rises toward the end of the grid has a maximum there or beyond: the lower one of a low-tuned box
    ends = np.concatenate([[-np.inf], ohm[: below + 1]])
    at = np.arange(below)
    peaks = at[(ohm[at] > ends[at]) & (ohm[at] >= ohm[at + 1]) & (ohm[at] > MAXIMUM_OVER * floor.min())]
    kept: list[int] = []
    for peak in peaks.tolist():
        if kept and ohm[kept[-1] : peak].min() > DIP_UNDER * min(ohm[kept[-1]], ohm[peak]):
            kept[-1] = max(kept[-1], peak, key=lambda i: float(ohm[i]))
        else:
            kept.append(peak)
    if len(kept) == 1:
        return (_vertex_hz(ohm, kept[0]), True) if peaks[0] else (float("nan"), False)
    if len(kept) == 2:
        return _vertex_hz(ohm, kept[0] + int(ohm[kept[0] : kept[1]].argmin())), False
    return float("nan"), False


def _vertex_hz(ohm: Array, i: int) -> float:
    """Where the parabola over log f through a point and its neighbours has its end."""
    a, b, c = np.log(ohm[i - 1 : i + 2])
    bend = a - 2.0 * b + c
    off = 0.0 if bend == 0.0 else 0.5 * (a - c) / bend
    return float(grid.FREQUENCY_HZ[i] * 2.0 ** (off / grid.POINTS_PER_OCTAVE))
