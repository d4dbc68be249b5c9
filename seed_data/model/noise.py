"""What separates a measurement from the truth: seeded random fields over frequency.

Parts and sizes are those of the project's error model (calibration, sample spread, sample directivity, repeatability,
level, distortion, compression, impedance). Every generator is seeded from names, never from an order.
"""

from __future__ import annotations

import hashlib

import numpy as np

from seed_data.model.air import FloatArray

SEED = "demo fleet 1"


def generator(*names: object) -> np.random.Generator:
    """Philox seeded by SHA-256 over the fleet's seed and the names."""
    digest = hashlib.sha256("|".join([SEED, *map(str, names)]).encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "big")))


def field(rng: np.random.Generator, frequency_hz: FloatArray, width_oct: float, count: int = 1) -> FloatArray:
    """Gaussian fields with unit variance and correlation exp(−π(Δ/w)²) over Δ octaves, (count, F).

    White noise on a fine axis of octaves, folded with exp(−2π(Δ/w)²), whose autocorrelation is the one wanted.
    """
    octave = np.log2(frequency_hz)
    axis = np.arange(octave.min() - 2 * width_oct, octave.max() + 2 * width_oct, width_oct / 8.0)
    kernel = np.exp(-2.0 * np.pi * ((octave[:, None] - axis[None, :]) / width_oct) ** 2)
    kernel /= np.sqrt(np.sum(kernel**2, axis=1, keepdims=True))
    return np.asarray(rng.standard_normal((count, axis.size)) @ kernel.T)


def calibration_sd_db(frequency_hz: FloatArray) -> FloatArray:
    """0.5 dB, rising to 1.5 dB at 30 Hz and to 1 dB above 10 kHz, linear over log f between 30 and 100 Hz, 5 and 10 kHz."""
    knots = np.log2(np.array([30.0, 100.0, 5000.0, 10000.0]))
    return np.asarray(np.interp(np.log2(frequency_hz), knots, [1.5, 0.5, 0.5, 1.0]))


def calibration_db(frequency_hz: FloatArray, lab: str, method: str, calibration: str) -> FloatArray:
    """The error that all sessions of one lab, method and calibration share, (F,)."""
    rng = generator("calibration", lab, method, calibration)
    return np.asarray(field(rng, frequency_hz, 1.0)[0] * calibration_sd_db(frequency_hz))


def sample_db(
    frequency_hz: FloatArray, slug: str, sample: str, cosine: FloatArray, spread_db: float = 0.5
) -> FloatArray:
    """How one specimen differs from the design, (n, F): a common field and one that grows as (1 − cos θ)/2, w = 1/2 octave."""
    rng = generator("sample", slug, sample)
    common, turning = spread_db * field(rng, frequency_hz, 0.5, 2)
    return np.asarray(common + turning * (1.0 - cosine[:, None]) / 2.0)


def repeatability_db(rng: np.random.Generator, frequency_hz: FloatArray, curves: int) -> FloatArray:
    """0.2 dB per curve, independent, w = 1/6 octave, (curves, F)."""
    return 0.2 * field(rng, frequency_hz, 1.0 / 6.0, curves)
