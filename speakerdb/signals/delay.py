"""Group delay, minimum phase and what is delayed beyond it.

Minimum phase from the cepstrum of the magnitude (Oppenheim & Schafer, Discrete-Time Signal Processing, from memory).
Thresholds of audible group delay: J. Blauert, P. Laws, "Group delay distortions in electroacoustical systems", J.
Acoust. Soc. Am. 63 (1978), from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import FREQUENCY_HZ, HALF_CELL_OCT
from speakerdb.session import FloatArray

ComplexArray = NDArray[np.complex128]

BAND_HZ = (20.0, 20000.0)  # that a minimum phase needs
SLOPE_OCT = 0.5  # at either end of the band, whose slope goes on beyond it
TREBLE_HZ = (5000.0, 12000.0)  # whose delay counts as none
AUDIBLE = ((500.0, 0.0032), (1000.0, 0.002), (2000.0, 0.001), (4000.0, 0.0015), (8000.0, 0.002))  # Hz, s
_LENGTH, _NYQUIST_HZ = 1 << 19, 163840.0  # of the cepstrum's even frequencies
_LEAST_STEPS = 8
_COVERED = 1.03  # by which the ends of the band may be missed


def group_delay_s(frequency_hz: FloatArray, spectrum: ComplexArray) -> FloatArray:
    """(199,) −dφ/dω of spectra (F,), averaged over the cells of the analysis grid, each step weighted by its power; NaN
    where a cell is not covered, and everywhere where the spectrum has gaps."""
    turn = np.angle(spectrum[1:] * np.conj(spectrum[:-1]))
    weight = np.abs(spectrum[1:] * spectrum[:-1])
    return _over_cells(frequency_hz, -weight * turn, weight * 2.0 * np.pi * np.diff(frequency_hz))


def _over_cells(frequency_hz: FloatArray, above: FloatArray, below: FloatArray) -> FloatArray:
    """Ratio of sums over each cell of the grid, of what the steps between frequencies hold; cells that cut a step take
    their part of it."""
    from scipy.interpolate import CubicSpline

    found = np.full(FREQUENCY_HZ.size, np.nan)
    known = np.flatnonzero(np.isfinite(above) & np.isfinite(below))
    if len(known) < _LEAST_STEPS or known[-1] - known[0] + 1 != len(known):
        return found
    f = frequency_hz[known[0] : known[-1] + 2]
    edges = [FREQUENCY_HZ * 2.0 ** (side * HALF_CELL_OCT) for side in (-1, 1)]
    inside = (edges[0] >= f[0]) & (edges[1] <= f[-1])
    sums = [CubicSpline(f, np.concatenate([[0.0], np.cumsum(x[known])])) for x in (above, below)]
    top, bottom = (s(edges[1][inside]) - s(edges[0][inside]) for s in sums)
    found[inside] = top / bottom
    return found


def covers(frequency_hz: FloatArray, level_db: FloatArray) -> bool:
    """Whether a level (F,) is known throughout the band that a minimum phase needs."""
    known = frequency_hz[np.isfinite(level_db)]
    return bool(len(known) and known[0] <= BAND_HZ[0] * _COVERED and known[-1] >= BAND_HZ[1] / _COVERED)


def minimum_phase_rad(frequency_hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """Phase (F,) of the minimum-phase system with this magnitude, whose slope at either end of the band goes on."""
    from scipy.interpolate import CubicSpline

    known = np.isfinite(level_db) & (frequency_hz >= BAND_HZ[0] / _COVERED) & (frequency_hz <= BAND_HZ[1] * _COVERED)
    x, y = np.log2(frequency_hz[known]), level_db[known] * np.log(10.0) / 20.0
    even = np.arange(_LENGTH // 2 + 1) * (2.0 * _NYQUIST_HZ / _LENGTH)
    at = np.log2(np.maximum(even, even[1]))
    magnitude = CubicSpline(x, y)(np.clip(at, x[0], x[-1]))
    for end, side in ((x <= x[0] + SLOPE_OCT, at < x[0]), (x >= x[-1] - SLOPE_OCT, at > x[-1])):
        slope = np.polyfit(x[end], y[end], 1)[0]
        edge = 0 if side[0] else -1
        magnitude[side] = y[edge] + slope * (at[side] - x[edge])
    cepstrum = np.fft.irfft(magnitude)
    half = _LENGTH // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    phase = np.imag(np.fft.rfft(cepstrum))
    # the cusp of the magnitude at 0 Hz, which no even spacing resolves, reaches every second frequency only
    phase[1:-1] = 0.25 * phase[:-2] + 0.5 * phase[1:-1] + 0.25 * phase[2:]
    return np.asarray(CubicSpline(even, phase)(frequency_hz))


def excess_delay_s(frequency_hz: FloatArray, level_db: FloatArray, phase_rad: FloatArray) -> FloatArray:
    """(199,) group delay beyond that of the minimum phase, re the treble's mean; what a delay of all would be is thus
    left out."""
    magnitude = 10.0 ** (np.where(np.isfinite(level_db), level_db, np.nan) / 20.0)
    beyond = phase_rad - minimum_phase_rad(frequency_hz, level_db)
    found = group_delay_s(frequency_hz, magnitude * np.exp(1j * beyond))
    treble = (TREBLE_HZ[0] <= FREQUENCY_HZ) & (TREBLE_HZ[1] >= FREQUENCY_HZ)
    return np.asarray(found - np.nanmean(found[treble]))


def audible_from_s(frequency_hz: FloatArray) -> FloatArray:
    """Excess delay from which it is audible; NaN outside 500 Hz–8 kHz, where nothing is known."""
    f, threshold = zip(*AUDIBLE, strict=True)
    found = np.interp(np.log(frequency_hz), np.log(f), threshold)
    return np.where((frequency_hz >= f[0] * 0.99) & (frequency_hz <= f[-1] * 1.01), found, np.nan)


def alignment_s(excess_s: FloatArray, crossover_hz: float) -> float | None:
    """By how much the driver below a crossover lags that above it: mean excess delay (199,) of the octave below minus
    that of the octave above; None where one of the two is not known."""
    known = np.isfinite(excess_s)
    below = known & (crossover_hz / 2.0 <= FREQUENCY_HZ) & (crossover_hz > FREQUENCY_HZ)
    above = known & (crossover_hz < FREQUENCY_HZ) & (crossover_hz * 2.0 >= FREQUENCY_HZ)
    if not below.any() or not above.any():
        return None
    return float(excess_s[below].mean() - excess_s[above].mean())
