"""Errors that vary smoothly over frequency, drawn from seeds that depend on the data alone (statistics.md §1)."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import LOG2_HZ

Floats32 = NDArray[np.float32]
DROP_BELOW = 1e-8  # eigenvalues below this share of the largest are left out


@lru_cache(maxsize=16)
def root(width_oct: float) -> Floats32:
    """(k, 199) rows whose weighted sum of k standard normals is a Gaussian field of unit sd on the analysis grid.

    Correlation exp(−π(Δ/w)²), Δ in octaves; its integral over Δ is w. From the eigen-decomposition of the 199 × 199 matrix.
    """
    distance = LOG2_HZ[:, None] - LOG2_HZ
    values, vectors = np.linalg.eigh(np.exp(-np.pi * (distance / width_oct) ** 2))
    kept = values > DROP_BELOW * values[-1]
    factor = (vectors[:, kept] * np.sqrt(values[kept])).T
    # what was dropped took a little variance with it: unit sd at every frequency
    return np.asarray(factor / np.sqrt((factor**2).sum(axis=0)), np.float32)


def generator(part: str, key: str, version: int | str) -> np.random.Generator:
    """Random numbers that belong to a part of the error model and a key from the data, whatever the order of work.

    Philox, keyed with the first 128 bits of the SHA-256 of part, key and model version: same data, same numbers.
    """
    digest = hashlib.sha256(f"{part}|{key}|{version}".encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "little")))


def smooth_field(rng: np.random.Generator, count: int, width_oct: float) -> Floats32:
    """(count, 199) independent fields of unit sd."""
    factor = root(width_oct)
    return np.asarray(rng.standard_normal((count, factor.shape[0]), dtype=np.float32) @ factor)
