"""Resonances in a response: where, how sharp, how strong, fitted through the gate that the response went through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray
from speakerdb.signals.background import smoothed
from speakerdb.signals.gating import window

ComplexArray = NDArray[np.complex128]

MEAN_OCT = 1.0  # what a response is held against
LEAST_DB, LEAST_SIGMAS = 0.5, 3.0  # off that mean
REACH_OCT = 0.6  # of the fit, to either side
APART_OCT = 1 / 6  # of two that are told
MOST = 12
CYCLES_SEEN = 10.0  # of a resonance within the gate, from which its Q is told and not only bounded
DECAYED = 10.0  # time constants within the gate, from which it makes no difference
Q_RANGE, LEAST_Q = (0.7, 100.0), 3.0  # of the fit; below it is the balance, no resonance
MOST_DB, LEFT = 12.0, 0.5  # gain, and what a fit may leave re what stands off the mean (RMS)
STEP_S = 1.0 / 48000.0  # of the gated model


@dataclass(frozen=True)
class Resonance:
    """frequency_hz, q, gain_db of (s² + g·s/Q + 1)/(s² + s/Q + 1); q_is_least: the gate shows too few cycles for more;
    residual_db: RMS of what the fit leaves."""

    frequency_hz: float
    q: float
    gain_db: float
    q_is_least: bool
    residual_db: float


def model(frequency_hz: FloatArray, f0_hz: float, q: float, gain_db: float, gate_s: float | None) -> ComplexArray:
    """(s² + g·s/Q + 1)/(s² + s/Q + 1) at frequencies (F,), its impulse response gated; None: not gated."""
    gain = 10.0 ** (gain_db / 20.0)
    if gate_s is None or np.pi * f0_hz * gate_s / q > DECAYED:
        s = 1j * frequency_hz / f0_hz
        return np.asarray((s**2 + gain * s / q + 1.0) / (s**2 + s / q + 1.0))
    weights, lead = window(gate_s, 1.0 / STEP_S)
    weights = weights[lead:]
    t = np.arange(len(weights)) * STEP_S
    omega, decay = 2.0 * np.pi * f0_hz, np.pi * f0_hz / q
    turn = np.sqrt(max(omega**2 - decay**2, 1e-6))
    ring = omega / q * np.exp(-decay * t) * (np.cos(turn * t) - decay / turn * np.sin(turn * t)) * weights
    ring[0] *= 0.5  # trapezoid
    waves = np.exp(-2j * np.pi * np.outer(frequency_hz, t))
    return np.asarray(1.0 + (gain - 1.0) * STEP_S * (waves @ ring))


def found_in(
    frequency_hz: FloatArray, level_db: FloatArray, sigma_db: FloatArray, gate_s: float | None
) -> list[Resonance]:
    """Resonances of a response (F,) that stand at least LEAST_DB and LEAST_SIGMAS·σ off its mean over an octave, the
    strongest first; NaN where the level is not known."""
    known = np.flatnonzero(np.isfinite(level_db))
    if len(known) < 20:
        return []
    f, level, sigma = frequency_hz[known], level_db[known], sigma_db[known]
    off = level - smoothed(level, f, MEAN_OCT)
    least = np.maximum(LEAST_DB, LEAST_SIGMAS * sigma)
    size = np.abs(off)
    peaks = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] >= least[1:-1])) + 1
    inside = (f[peaks] >= f[0] * 2.0 ** (REACH_OCT / 2)) & (f[peaks] <= f[-1] * 2.0 ** (-REACH_OCT / 2))
    taken: list[int] = []
    for at in sorted(peaks[inside].tolist(), key=lambda i: -size[i]):
        if all(abs(np.log2(f[at] / f[other])) >= APART_OCT for other in taken):
            taken.append(at)
    found = [_fitted(f, level, float(f[at]), float(off[at]), gate_s) for at in taken[:MOST]]
    return [one for one in found if one is not None]


def _fitted(
    f: FloatArray, level: FloatArray, start_hz: float, start_db: float, gate_s: float | None
) -> Resonance | None:
    """The fit around one extremum: the resonance by least squares, a quadratic in log f beneath it in closed form."""
    from scipy.optimize import least_squares

    near = np.abs(np.log2(f / start_hz)) <= REACH_OCT
    x = np.log2(f[near] / start_hz)
    ground = np.stack([np.ones_like(x), x, x**2], axis=1)
    project = np.linalg.pinv(ground)

    def left(p: FloatArray) -> FloatArray:
        shape = model(f[near], start_hz * 2.0 ** p[0], float(np.exp(p[1])), p[2], gate_s)
        rest = level[near] - 20.0 * np.log10(np.abs(shape))
        return np.asarray(rest - ground @ (project @ rest))

    low, high = [-0.1, np.log(Q_RANGE[0]), -MOST_DB], [0.1, np.log(Q_RANGE[1]), MOST_DB]
    tried = [
        least_squares(
            left,
            [0.0, np.log(q), float(np.clip(1.5 * start_db, -8.0, 8.0))],
            bounds=(low, high),
            x_scale=[0.01, 0.5, 1.0],
        )
        for q in (4.0, 20.0)
    ]
    best = min(tried, key=lambda one: one.cost)
    f0, q, gain = float(start_hz * 2.0 ** best.x[0]), float(np.exp(best.x[1])), float(best.x[2])
    believable = start_db * gain > 0.0 and LEAST_DB <= abs(gain) < 0.99 * MOST_DB and q >= LEAST_Q
    if not believable or float(np.sqrt(np.mean(best.fun**2))) > LEFT * abs(start_db):
        return None
    few = bool(gate_s is not None and f0 * gate_s < CYCLES_SEEN)
    return Resonance(f0, q, gain, few, float(np.sqrt(np.mean(best.fun**2))))


def stands_out(frequency_hz: FloatArray, level_db: FloatArray, of: Resonance) -> bool:
    """Whether another curve (F,) of the speaker has an extremum of the same sign within f0/2Q of a resonance."""
    known = np.isfinite(level_db)
    f = frequency_hz[known]
    off = np.sign(of.gain_db) * (level_db[known] - smoothed(level_db[known], f, MEAN_OCT))
    reach = of.frequency_hz / (2.0 * of.q)
    at = np.flatnonzero(np.abs(f - of.frequency_hz) <= max(reach, np.diff(f).min()))
    if len(at) == 0 or at[0] == 0 or at[-1] == len(f) - 1:
        return False
    peak = at[int(np.argmax(off[at]))]
    return bool(off[peak] >= LEAST_DB and off[peak] >= off[peak - 1] and off[peak] >= off[peak + 1])
