"""Filters and limiters of powered speakers. Analogue second-order sections of the usual shelving and bell forms."""

from __future__ import annotations

import numpy as np

from seed_data.model.air import ComplexArray, FloatArray


def bell(frequency_hz: FloatArray, centre_hz: float, q: float, gain_db: float) -> ComplexArray:
    """(s² + s·A/Q + 1)/(s² + s/(A·Q) + 1), A = 10^(gain/40): the gain at the centre, 0 dB far away. Also a
    resonance."""
    s, a = 1j * frequency_hz / centre_hz, 10.0 ** (gain_db / 40.0)
    return np.asarray((s**2 + s * a / q + 1.0) / (s**2 + s / (a * q) + 1.0))


def low_shelf(frequency_hz: FloatArray, corner_hz: float, gain_db: float) -> ComplexArray:
    """First order, (s + A)/(s + 1/A) with A = 10^(gain/40): the gain far below, half of it (in dB) at the corner, 0
    above."""
    s, a = 1j * frequency_hz / corner_hz, 10.0 ** (gain_db / 40.0)
    return np.asarray((s + a) / (s + 1.0 / a))


def high_shelf(frequency_hz: FloatArray, corner_hz: float, gain_db: float) -> ComplexArray:
    """The mirror image of `low_shelf`: the gain far above."""
    s, a = 1j * frequency_hz / corner_hz, 10.0 ** (gain_db / 40.0)
    return np.asarray((s * a + 1.0) / (s / a + 1.0))


def limiter_gain_db(excess_db: FloatArray | float, hardness: float) -> FloatArray:
    """Gain of a soft limiter whose threshold is passed by `excess_db`: −20/n·log10(1 + 10^(n·excess/20)).

    Far above the threshold the output stands still (gain = −excess); at it, −6.02/n dB. n is the hardness.
    """
    return np.asarray(-20.0 / hardness * np.log10(1.0 + 10.0 ** (hardness * np.asarray(excess_db) / 20.0)))
