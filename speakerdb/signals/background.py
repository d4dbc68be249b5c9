"""Noise beneath a response, and what it does to a level.

A level in dB of a signal S with noise N of the same gate scatters by 20/ln 10·N/(√2·S) = 6.14·10^(−SNR/20) dB (both
parts of N alike, half of its power in phase with S); a cell of the analysis grid, 1/20 octave wide, averages over
0.0347·f·0.85·T independent values (own derivation).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray
from speakerdb.signals.gating import spectrum, window

PLACES = 12
SCATTER_DB = 6.14
CELL = 0.0347  # of its frequency, the width of a cell of the analysis grid
EFFECTIVE = 0.85  # of the gate
LEAST_SNR_DB = 20.0  # below: no level
SMOOTHED_OCT = 1 / 3


def of_tail(
    response: FloatArray,
    first: int,
    last: int,
    gate_s: float,
    rate_hz: float,
    chosen: NDArray[np.int64],
    lead_s: float | None = None,
) -> FloatArray | None:
    """Mean power (F,) of the gate at PLACES places of a response (n,) between the samples first and last, where it
    holds nothing but noise; None where the gate doesn't fit."""
    weights, lead = window(gate_s, rate_hz, lead_s)
    if last - first < len(weights):
        return None
    starts = np.linspace(first, last - len(weights), PLACES).astype(np.int64)
    parts = response[(starts[:, None] + np.arange(len(weights))) % len(response)] * weights
    return np.asarray((np.abs(spectrum(parts, lead, rate_hz, chosen)) ** 2).mean(axis=0))


def of_silence(
    recording: FloatArray, inverse_power: FloatArray, gate_s: float, rate_hz: float, chosen: NDArray[np.int64]
) -> FloatArray | None:
    """The same from a recording of silence (n,): the gate at PLACES places of it, times |inverse|² (F,) at the
    bins."""
    found = of_tail(recording, 0, len(recording), gate_s, rate_hz, chosen)
    return None if found is None else found * inverse_power


def smoothed(power: FloatArray, frequency_hz: FloatArray, width_oct: float = SMOOTHED_OCT) -> FloatArray:
    """Power (…, F) averaged over width_oct around each frequency."""
    low = np.searchsorted(frequency_hz, frequency_hz * 2.0 ** (-width_oct / 2))
    high = np.searchsorted(frequency_hz, frequency_hz * 2.0 ** (width_oct / 2), side="right")
    sums = np.concatenate([np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1)], axis=-1)
    return np.asarray((sums[..., high] - sums[..., low]) / (high - low))


def snr_db(response: FloatArray, noise: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """(…, F) from powers (…, F), noise (F,), both averaged over a third of an octave; noise is taken off the
    response's power first."""
    signal = smoothed(response, frequency_hz)
    floor = np.maximum(smoothed(noise, frequency_hz), 1e-300)
    return np.asarray(10.0 * np.log10(np.maximum(signal - floor, 1e-6 * floor) / floor))


def scatter_db(snr: FloatArray, frequency_hz: FloatArray, gate_s: float) -> FloatArray:
    """Standard deviation in dB of a level on the analysis grid: the formula above."""
    values = np.maximum(1.0, CELL * frequency_hz * EFFECTIVE * gate_s)
    return np.asarray(SCATTER_DB * 10.0 ** (-snr / 20.0) / np.sqrt(values))
