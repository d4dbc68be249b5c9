"""Seeded random numbers and random fields over frequency. Every generator is seeded from names, never from an order."""

from __future__ import annotations

import hashlib
from functools import cache

import numpy as np

from seed_data.model.air import FREQUENCY_HZ, FloatArray

SEED = "demo fleet 1"


def generator(*names: object, seed: str = SEED) -> np.random.Generator:
    """Philox seeded by SHA-256 over a seed (that of the committed fleet unless another is given) and the names."""
    digest = hashlib.sha256("|".join([seed, *map(str, names)]).encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "big")))


@cache
def _kernel(width_oct: float) -> FloatArray:
    """(F, K) weights of white noise on a fine axis of octaves: exp(−2π(Δ/w)²), whose autocorrelation is
    exp(−π(Δ/w)²)."""
    octave = np.log2(FREQUENCY_HZ)
    axis = np.arange(octave.min() - 2 * width_oct, octave.max() + 2 * width_oct, width_oct / 8.0)
    kernel = np.exp(-2.0 * np.pi * ((octave[:, None] - axis[None, :]) / width_oct) ** 2)
    kernel /= np.sqrt(np.sum(kernel**2, axis=1, keepdims=True))
    kernel.setflags(write=False)
    return kernel


def field(rng: np.random.Generator, width_oct: float, count: int = 1) -> FloatArray:
    """Independent Gaussian fields over FREQUENCY_HZ with unit variance and correlation exp(−π(Δ/w)²) over Δ octaves,
    (count, F)."""
    kernel = _kernel(width_oct)
    return np.asarray(rng.standard_normal((count, kernel.shape[1])) @ kernel.T)
