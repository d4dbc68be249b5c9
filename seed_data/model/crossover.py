"""Crossover filters, and the angle at which two spaced drivers cancel."""

from __future__ import annotations

import numpy as np

from seed_data.model.air import SOUND_SPEED_M_S, ComplexArray, FloatArray


def butterworth_low(frequency_hz: FloatArray, corner_hz: float, order: int) -> ComplexArray:
    """Low-pass of the given order, −3 dB at the corner: product over the poles of the unit circle's left half."""
    s = 1j * frequency_hz / corner_hz
    index = np.arange(1, order + 1)
    poles = np.exp(1j * np.pi * (2 * index + order - 1) / (2 * order))
    return np.asarray(1.0 / np.prod(s[..., None] - poles, axis=-1))


def butterworth_high(frequency_hz: FloatArray, corner_hz: float, order: int) -> ComplexArray:
    """High-pass of the given order: the low-pass with s → 1/s."""
    return np.asarray((1j * frequency_hz / corner_hz) ** order * butterworth_low(frequency_hz, corner_hz, order))


def low_pass(frequency_hz: FloatArray, corner_hz: float, order: int) -> ComplexArray:
    """Linkwitz–Riley (two Butterworth in series, −6 dB) for even orders, Butterworth (−3 dB) for odd ones.

    S. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", J. Audio Eng. Soc. 24, 1976.
    """
    if order % 2:
        return butterworth_low(frequency_hz, corner_hz, order)
    return np.asarray(butterworth_low(frequency_hz, corner_hz, order // 2) ** 2)


def high_pass(frequency_hz: FloatArray, corner_hz: float, order: int) -> ComplexArray:
    """The other half of `low_pass`. With order 2 one driver is wired the other way round (see `polarity`)."""
    if order % 2:
        return butterworth_high(frequency_hz, corner_hz, order)
    return np.asarray(butterworth_high(frequency_hz, corner_hz, order // 2) ** 2)


def polarity(order: int) -> float:
    """-1 where the upper driver must be inverted so that both halves add on the axis (order 2, and 3 by habit), else
    1."""
    return -1.0 if order in {2, 3} else 1.0


def null_angle_deg(frequency_hz: float, spacing_m: float) -> float:
    """First angle off the axis at which two equal, in-phase sources cancel: sin θ = λ/(2d). NaN where d < λ/2."""
    sine = SOUND_SPEED_M_S / frequency_hz / (2.0 * spacing_m)
    return float(np.degrees(np.arcsin(sine))) if sine <= 1.0 else float("nan")
