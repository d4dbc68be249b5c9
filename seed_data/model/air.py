"""Air and the shapes of arrays that every module of the model shares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

SOUND_SPEED_M_S = 343.0  # dry air at 20 °C
DENSITY_KG_M3 = 1.2
REFERENCE_PA = 20e-6

POINTS_PER_OCTAVE = 24
FREQUENCY_HZ: FloatArray = np.round(20.0 * 2.0 ** (np.arange(240) / POINTS_PER_OCTAVE), 2)  # 20 Hz to 19.9 kHz


def wave_number(frequency_hz: FloatArray) -> FloatArray:
    """k = 2πf/c in rad/m, same shape."""
    return 2.0 * np.pi * frequency_hz / SOUND_SPEED_M_S


def level_db(pressure: ComplexArray | FloatArray) -> FloatArray:
    """20·log10|p|, floored at -200 dB so that a true null stays finite."""
    return 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-10))


def energy_mean_db(level: FloatArray, axis: int = 0) -> FloatArray:
    """Mean of p² in dB along one axis."""
    return np.asarray(10.0 * np.log10(np.mean(10.0 ** (level / 10.0), axis=axis)))


def smooth_db(frequency_hz: FloatArray, level: FloatArray, width_oct: float) -> FloatArray:
    """Gaussian average of dB over log frequency; `width_oct` is the full width at half height. level (..., F)."""
    octave = np.log2(frequency_hz)
    weight = np.exp(-4.0 * np.log(2.0) * ((octave[:, None] - octave[None, :]) / width_oct) ** 2)
    return np.asarray(level @ (weight / weight.sum(axis=1, keepdims=True)).T)
