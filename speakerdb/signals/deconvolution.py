"""From a recording of an exponential sweep to the impulse response.

A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique" (AES 108, 2000),
and O. Kirkeby, P. A. Nelson, "Digital filter design for inversion problems" (1998), both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray

ComplexArray = NDArray[np.complex128]

INSIDE, OUTSIDE = 1e-6, 1.0  # regularisation re the swept power, within the band and beyond its slopes
SLOPE_BELOW_OCT, SLOPE_ABOVE_OCT = 0.5, 0.1
TAIL_S = 1.5  # of the response, at least, before it meets what lies before it on the circle
_SOUNDING = 0.1  # of the loudest sample: where the reference sweeps
_SLOW, _EDGE = 0.3, 0.02  # of the sweep, at its start and its end: where a phase tells its frequency badly
_LEAST_POINTS = 50
_STEP_S = 0.002
_LEAST_SPAN, _STRAIGHT = 4.0, 0.02  # of its frequencies; how far ln f may lie off the line


@dataclass(frozen=True, eq=False)
class Excitation:
    """An exponential sweep. samples (n,); growth_s: L of f = f_low·e^(t/L); amplitude: of its sine, as in samples;
    end: the sample after its last."""

    samples: FloatArray
    rate_hz: float
    f_low_hz: float
    f_high_hz: float
    growth_s: float
    amplitude: float
    end: int


def exponential_sweep(f_low_hz: float, f_high_hz: float, seconds: float, rate_hz: float) -> Excitation:
    """sin(2π·f_low·L·(e^(t/L) − 1)) with L = seconds / ln(f_high / f_low), amplitude 1 (Farina 2000)."""
    growth = seconds / np.log(f_high_hz / f_low_hz)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    samples = np.sin(2.0 * np.pi * f_low_hz * growth * np.expm1(t / growth))
    return Excitation(samples, rate_hz, f_low_hz, f_high_hz, float(growth), 1.0, len(samples))


def fitted(samples: FloatArray, rate_hz: float) -> Excitation | None:
    """The sweep that a reference (n,) holds: ln f fitted over t by a straight line, ends where it falls silent.

    None where it is no exponential sweep: silence, or frequencies that do not rise so.
    """
    from scipy.signal import hilbert

    loudest = float(np.abs(samples).max())
    if loudest == 0.0:
        return None
    sounding = np.flatnonzero(np.abs(samples) > _SOUNDING * loudest)
    first, last = int(sounding[0]), int(sounding[-1])
    analytic = hilbert(samples)
    amplitude = float(np.median(np.abs(analytic[first : last + 1])))
    step = max(int(_STEP_S * rate_hz), 1)
    at = np.arange(first + int(_SLOW * (last - first)), last - int(_EDGE * (last - first)), step)
    if len(at) < _LEAST_POINTS:
        return None
    phase = np.unwrap(np.angle(analytic))[at]
    frequency = np.diff(phase) / (2.0 * np.pi * step / rate_hz)
    if (frequency <= 0.0).any():
        return None
    logs, t = np.log(frequency), (at[:-1] + step / 2.0) / rate_hz
    keep = np.ones(len(t), bool)
    for _ in range(3):
        slope, start = np.polyfit(t[keep], logs[keep], 1)
        off = np.abs(logs - (start + slope * t))
        keep = off <= max(3.0 * float(np.median(off)), 1e-6)
    low, high = np.exp(start + slope * np.array([first, last]) / rate_hz)
    if high < _LEAST_SPAN * low or float(np.median(off)) > _STRAIGHT:
        return None
    high = min(high, rate_hz / 2.0)
    return Excitation(samples, rate_hz, float(low), float(high), float(1.0 / slope), amplitude, last + 1)


def padded_length(excitation: Excitation, longest: int) -> int:
    """The power of two that holds the longest recording, and the sweep with a tail of TAIL_S."""
    least = max(longest, excitation.end + int(np.ceil(TAIL_S * excitation.rate_hz)))
    return 1 << int(np.ceil(np.log2(least)))


def inverse(excitation: Excitation, length: int) -> ComplexArray:
    """X*/(|X|² + ε·K/f), (length/2 + 1,), with K the median of |X|²·f in the band and ε rising from INSIDE to OUTSIDE,
    log-linearly over log f, half an octave below the band and a tenth above it (Kirkeby & Nelson)."""
    spectrum = np.fft.rfft(excitation.samples, length)
    frequency = np.fft.rfftfreq(length, 1.0 / excitation.rate_hz)
    frequency[0] = frequency[1]
    inside = (frequency >= excitation.f_low_hz) & (frequency <= excitation.f_high_hz)
    power = np.abs(spectrum) ** 2
    scale = float(np.median(power[inside] * frequency[inside]))
    octaves_below = np.log2(excitation.f_low_hz / frequency) / SLOPE_BELOW_OCT
    octaves_above = np.log2(frequency / excitation.f_high_hz) / SLOPE_ABOVE_OCT
    share = np.clip(np.maximum(octaves_below, octaves_above), 0.0, 1.0)
    epsilon = INSIDE * (OUTSIDE / INSIDE) ** share
    found: ComplexArray = np.conj(spectrum) / (power + epsilon * scale / frequency)
    return found


def deconvolve(recording: FloatArray, inverted: ComplexArray, length: int) -> FloatArray:
    """Recordings (…, n) as impulse responses (…, length) on a circle: what comes before the sweep stands at its end."""
    from scipy.fft import irfft, rfft

    return np.asarray(irfft(rfft(recording, length) * inverted, length))
