"""A main speaker and a subwoofer that share the range at a crossover of fourth order (method:metrics#with-a-subwoofer).

Linkwitz–Riley: both sides are two Butterworth filters of second order in a row, so the low-pass is 1/(1 + √2·s + s²)²
and the high-pass s⁴ times that, s = jf/fc (S. H. Linkwitz, JAES 1976, from memory). Their sum has the magnitude 1 at
every frequency. Frequencies in Hz, levels in dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.acoustics.room import SPEED_OF_SOUND_M_S

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOWEST_HZ, HIGHEST_HZ = 40.0, 160.0  # crossovers to a subwoofer
DELAYS_M = np.round(np.arange(-2.0, 2.05, 0.1), 1)  # of the main speaker after the subwoofer, as a way of sound
AROUND_OCT = 1.0  # to either side of the crossover: where the sum is looked at
_FFT, _UP_TO_HZ = 2**16, 4800.0  # of the phase that goes with a magnitude


def low_pass(frequency_hz: Floats, crossover_hz: float) -> Complexes:
    """(F,) what the subwoofer gets."""
    s = 1j * np.asarray(frequency_hz, np.float64) / crossover_hz
    return np.asarray((1.0 + np.sqrt(2.0) * s + s * s) ** -2)


def high_pass(frequency_hz: Floats, crossover_hz: float) -> Complexes:
    """(F,) what the main speaker gets."""
    s = 1j * np.asarray(frequency_hz, np.float64) / crossover_hz
    return np.asarray(s**4 * low_pass(frequency_hz, crossover_hz))


def minimum_phase(level_db: Floats) -> Complexes:
    """(199,) the response of this magnitude over the grid whose phase is the least that goes with it: that of a box
    in its bass, without delay. The phase is the Hilbert transform of the logarithm of the magnitude (any textbook of
    signals). Below the lowest frequency with a level the slope of the lowest half octave goes on; above 4.8 kHz
    it is left out."""
    there = ~np.isnan(level_db)
    x, y = grid.LOG2_HZ[there], np.asarray(level_db, np.float64)[there]
    f = np.linspace(0.0, _UP_TO_HZ, _FFT // 2 + 1)
    half = grid.POINTS_PER_OCTAVE // 2
    slope = (y[half] - y[0]) / (x[half] - x[0])
    at = np.log2(np.maximum(f, f[1] / 2.0))
    level = np.where(at < x[0], y[0] + slope * (at - x[0]), np.interp(at, x, y))
    cepstrum = np.fft.irfft(level * (np.log(10.0) / 20.0))
    cepstrum[1 : _FFT // 2] *= 2.0
    cepstrum[_FFT // 2 + 1 :] = 0.0
    phase = np.interp(grid.FREQUENCY_HZ, f, np.fft.rfft(cepstrum).imag)
    return np.asarray(10.0 ** (np.asarray(level_db, np.float64) / 20.0) * np.exp(1j * phase))


@dataclass(frozen=True)
class Alignment:
    """inverted: the main speaker's polarity; delay_m: of it, as a way of sound; lowest_db: the least of the sum within
    an octave of the crossover; plain_db: the same without either."""

    inverted: bool
    delay_m: float
    lowest_db: float
    plain_db: float


def aligned(main: Complexes, sub: Complexes, crossover_hz: float) -> Alignment:
    """The polarity and the delay that leave the highest minimum within an octave of the crossover: of responses (199,)
    whose levels are alike already."""
    band = grid.band(crossover_hz / 2.0**AROUND_OCT, crossover_hz * 2.0**AROUND_OCT)
    f = grid.FREQUENCY_HZ[band]
    low, high = sub[band] * low_pass(f, crossover_hz), main[band] * high_pass(f, crossover_hz)
    later = np.exp(-2j * np.pi * np.multiply.outer(DELAYS_M, f) / SPEED_OF_SOUND_M_S)
    sums = np.stack([low + sign * high * later for sign in (1.0, -1.0)])
    least = 20.0 * np.log10(np.abs(sums).min(axis=2))
    # of places that are as good the nearest to none
    order = np.lexsort((np.tile(np.abs(DELAYS_M), 2), -np.round(least.reshape(-1), 2)))
    sign, at = divmod(int(order[0]), len(DELAYS_M))
    none = int(np.argmin(np.abs(DELAYS_M)))
    return Alignment(sign == 1, float(DELAYS_M[at]), float(least[sign, at]), float(least[0, none]))


def bounds_db(main_db: Floats, sub_db: Floats, crossover_hz: float) -> tuple[Array, Array]:
    """(199,), (199,) between which the sum of both lies whatever their phases are: | |a| − |b| | and |a| + |b|. One
    whose level is not known at a frequency counts as silent there."""
    f = grid.FREQUENCY_HZ
    a = np.nan_to_num(10.0 ** (np.asarray(sub_db, np.float64) / 20.0)) * np.abs(low_pass(f, crossover_hz))
    b = np.nan_to_num(10.0 ** (np.asarray(main_db, np.float64) / 20.0)) * np.abs(high_pass(f, crossover_hz))
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(a - b)), 20.0 * np.log10(a + b)
