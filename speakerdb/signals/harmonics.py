"""Harmonics from a swept measurement, and how a level falls behind its drive.

Deconvolved by an exponential sweep, harmonic n stands L·ln n before the impulse (Farina 2000); its spectrum at n·f over
the fundamental's at f is its level at f (A. Novak et al. 2015, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray
from speakerdb.signals import background
from speakerdb.signals.gating import gated, spectrum

ComplexArray = NDArray[np.complex128]

ORDERS = (2, 3, 4, 5)
LEAD_S = 0.005
APART = 0.8  # of the way to the next harmonic, at most
JUDGED_OCT = 1 / 12
OVER_NOISE_DB = 6.0  # below that over the noise a harmonic is not told


def window_s(gate_s: float, growth_s: float, order: int) -> float:
    """How long a harmonic is looked at after its arrival: min(T, 0.8·L·ln((n+1)/n))."""
    return float(min(gate_s, APART * growth_s * np.log((order + 1) / order)))


def harmonic(
    response: FloatArray,
    at: int,
    growth_s: float,
    gate_s: float,
    rate_hz: float,
    chosen: NDArray[np.int64],
    order: int,
) -> ComplexArray:
    """Spectrum (F,) of a harmonic at order times the chosen bins, from a whole response (n,) on its circle that arrives
    at the sample `at`."""
    early = round(growth_s * np.log(order) * rate_hz)
    lead_s = min(LEAD_S, (1.0 - APART) * growth_s * np.log((order + 1) / order))
    part, lead = gated(response, at - early, window_s(gate_s, growth_s, order), rate_hz, lead_s)
    return spectrum(part, lead, rate_hz, order * chosen)


def noise_power(
    tail: FloatArray, gate_s: float, growth_s: float, rate_hz: float, chosen: NDArray[np.int64], order: int
) -> FloatArray | None:
    """Mean power (F,) of the noise in that window, from what follows a response and holds noise only."""
    length = window_s(gate_s, growth_s, order)
    return background.of_tail(tail, 0, len(tail), length, rate_hz, order * chosen, LEAD_S)


def level_db(
    harmonic_power: FloatArray, noise: FloatArray, fundamental_power: FloatArray, frequency_hz: FloatArray
) -> FloatArray:
    """dB re the fundamental (F,), noise taken off; NaN where a harmonic stands less than OVER_NOISE_DB over it, both
    averaged over a twelfth of an octave."""
    heard, hum = (background.smoothed(np.nan_to_num(x), frequency_hz, JUDGED_OCT) for x in (harmonic_power, noise))
    clear = heard >= 10.0 ** (OVER_NOISE_DB / 10.0) * hum
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10.0 * np.log10((harmonic_power - noise) / fundamental_power)
    return np.where(clear, level, np.nan)
