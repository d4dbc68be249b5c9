"""A time gate around the direct sound, and the spectrum that it leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray

ComplexArray = NDArray[np.complex128]

LEAD_S, LONG_LEAD_S = 0.0015, 0.05  # half-Hann before the arrival, of a short and of a long gate
LONG_S = 0.1  # from which nothing is near enough to stand before the arrival, while the lowest octaves ring there
FADE = 0.25  # of the gate, half-Hann at its end
LONGEST_S = 0.5  # where no reflection ends it
SHORTEST_S = 0.003
COUNTS_FROM = 2.0  # in 1/T: measured ≤ 0.25 dB there, up to 2.2 dB at 1/T
POINTS_PER_OCTAVE = 96
LOWEST_HZ = 10.0
_FINEST_HZ = 0.4  # between bins


def lead_of(gate_s: float) -> float:
    """Seconds that a gate begins before the arrival."""
    return LONG_LEAD_S if gate_s >= LONG_S else LEAD_S


def window(gate_s: float, rate_hz: float, lead_s: float | None = None) -> tuple[FloatArray, int]:
    """Weights of a gate of gate_s after the arrival, and the place of the arrival in them. lead_s: of what has another
    beginning than gates of its length."""
    lead_s = lead_of(gate_s) if lead_s is None else lead_s
    lead, length = round(lead_s * rate_hz), max(round(gate_s * rate_hz), 4)
    fade = max(round(FADE * length), 1)
    rise = np.sin(np.pi / 2 * np.arange(lead) / max(lead, 1)) ** 2
    fall = np.cos(np.pi / 2 * np.arange(1, fade + 1) / fade) ** 2
    return np.concatenate([rise, np.ones(length - fade), fall]), lead


def gated(
    response: FloatArray, at: int, gate_s: float, rate_hz: float, lead_s: float | None = None
) -> tuple[FloatArray, int]:
    """The gated part of responses (…, n) on their circle, and the place of the arrival `at` in it."""
    weights, lead = window(gate_s, rate_hz, lead_s)
    where = (np.arange(len(weights)) + at - lead) % response.shape[-1]
    return response[..., where] * weights, lead


def transform_length(rate_hz: float) -> int:
    """Of the transform whose bins lie closer than _FINEST_HZ; it holds the longest gate."""
    return 1 << int(np.ceil(np.log2(max(rate_hz / _FINEST_HZ, 1.5 * LONGEST_S * rate_hz))))


def bins(rate_hz: float, low_hz: float = LOWEST_HZ, high_hz: float = 24000.0) -> NDArray[np.int64]:
    """Bins of that transform nearest to 96 points an octave from low to high: no smoothing, no interpolation."""
    step = rate_hz / transform_length(rate_hz)
    high_hz = min(high_hz, 0.499 * rate_hz)
    octaves = np.log2(high_hz / low_hz)
    wanted = low_hz * 2.0 ** (np.arange(int(octaves * POINTS_PER_OCTAVE) + 1) / POINTS_PER_OCTAVE)
    return np.unique(np.maximum(np.round(wanted / step), 1).astype(np.int64))


def frequencies_hz(rate_hz: float, chosen: NDArray[np.int64]) -> FloatArray:
    return np.asarray(chosen * (rate_hz / transform_length(rate_hz)))


def spectrum(part: FloatArray, lead: int, rate_hz: float, chosen: NDArray[np.int64]) -> ComplexArray:
    """Spectrum (…, F) of gated parts (…, n) at the chosen bins, time counted from the arrival."""
    from scipy.fft import rfft

    length = transform_length(rate_hz)
    found = rfft(part, length)[..., chosen]
    return np.asarray(found * np.exp(2j * np.pi * chosen * lead / length))
