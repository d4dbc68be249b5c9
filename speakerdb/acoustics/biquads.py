"""Filters of second order as equalisers have them, by the cookbook that nearly all of them follow.

Coefficients after R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients" (from memory; held
against scipy.signal and against what the formulae promise in tests/published/test_biquad_theory.py). a0 is divided out,
so a filter is b0, b1, b2 and 1, a1, a2. Frequencies in Hz, gains in dB; Q of a peak is that of the bandwidth between
half its gain in dB, of a shelf that of its corner.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]
Kind = Literal["peaking", "low_shelf", "high_shelf"]


def coefficients(
    kind: Kind, frequency_hz: Floats | float, gain_db: Floats | float, q: Floats | float, sampling_hz: float
) -> tuple[Array, Array]:
    """(..., 3) b0, b1, b2 and (..., 3) 1, a1, a2 of filters (...) of one kind, at a sampling rate above twice their
    frequencies."""
    a = 10.0 ** (np.asarray(gain_db, np.float64) / 40.0)
    w = 2.0 * np.pi * np.asarray(frequency_hz, np.float64) / sampling_hz
    cosine, alpha = np.cos(w), np.sin(w) / (2.0 * np.asarray(q, np.float64))
    if kind == "peaking":
        up, down = alpha * a, alpha / a
        b = 1.0 + up, -2.0 * cosine, 1.0 - up
        d = 1.0 + down, -2.0 * cosine, 1.0 - down
    else:
        side = 1.0 if kind == "low_shelf" else -1.0  # a high shelf is a low one with the frequency axis turned round
        whole, leaning, slope = a + 1.0, side * (a - 1.0) * cosine, 2.0 * np.sqrt(a) * alpha
        level, turned = side * 2.0 * (a - 1.0), 2.0 * (a + 1.0) * cosine
        b = a * (whole - leaning + slope), a * (level - turned), a * (whole - leaning - slope)
        d = whole + leaning + slope, -level - turned, whole + leaning - slope
    top, below = np.stack(np.broadcast_arrays(*b), axis=-1), np.stack(np.broadcast_arrays(*d), axis=-1)
    return top / below[..., :1], below / below[..., :1]


def response_db(
    kinds: Sequence[Kind],
    frequency_hz: Floats,
    gain_db: Floats,
    q: Floats,
    at_hz: Floats,
    sampling_hz: float,
) -> Array:
    """(k, ..., F) what filters (k, ...) add to the level at frequencies (F,) below half the sampling rate.

    From the analogue prototypes (the same cookbook), whose frequency the bilinear transform warps: with
    u = (tan(πf/fs)/tan(πf0/fs))² and A = 10^(gain/40) the power is ((1 − u)² + u·A²/Q²)/((1 − u)² + u/(A·Q)²) of a
    peak, A²·((A − u)² + u·A/Q²)/((1 − A·u)² + u·A/Q²) of a low shelf, and of a high one the same with 1/u.
    """
    a = 10.0 ** (np.asarray(gain_db, np.float64)[..., None] / 40.0)
    shape = (len(kinds), *[1] * (a.ndim - 1))
    peak, low = (np.reshape(np.array(kinds) == name, shape) for name in ("peaking", "low_shelf"))
    w = np.pi / sampling_hz
    u = (np.tan(w * np.asarray(at_hz, np.float64)) / np.tan(w * np.asarray(frequency_hz)[..., None])) ** 2
    damping = 1.0 / np.asarray(q, np.float64)[..., None] ** 2
    # power = scale·((a0 − a1·u)² + a2·u)/((a1' − a0'·u)² + a2'·u), of shelves with the same terms turned round
    first, second = np.where(peak | ~low, 1.0, a), np.where(peak | low, 1.0, a)
    above, below = np.where(peak, a * a, a) * damping, np.where(peak, 1.0 / (a * a), a) * damping
    top = (first - second * u) ** 2 + above * u
    bottom = (second - first * u) ** 2 + below * u
    return np.asarray(10.0 * np.log10(np.where(peak, 1.0, a * a) * top / bottom))
