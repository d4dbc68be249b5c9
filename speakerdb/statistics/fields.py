"""Errors that vary smoothly over frequency, drawn from seeds that depend on the data alone (statistics.md §1)."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import LOG2_HZ, POINTS_PER_OCTAVE

Floats32 = NDArray[np.float32]
_LENGTH = 4096  # grid points of the circle on which the filter is worked out: far more than any field reaches
_NEGLECTED = 1e-6  # of the filter's energy, left out at its ends


@lru_cache(maxsize=16)
def taps(width_oct: float) -> Floats32:
    """Filter (2n + 1,) that makes white noise on the analysis grid a Gaussian field of unit sd with correlation exp(−π(Δ/w)²), Δ in
    octaves; the integral of that over Δ is w. Its spectrum is the square root of the correlation's."""
    distance = np.minimum(np.arange(_LENGTH), _LENGTH - np.arange(_LENGTH)) / POINTS_PER_OCTAVE
    spectrum = np.maximum(np.fft.rfft(np.exp(-np.pi * (distance / width_oct) ** 2)).real, 0.0)
    whole = np.fft.irfft(np.sqrt(spectrum), _LENGTH)
    rest = 1.0 - np.cumsum(whole[: _LENGTH // 2] ** 2 * np.where(np.arange(_LENGTH // 2) == 0, 1.0, 2.0)) / np.sum(whole**2)
    reach = int(np.argmax(rest < _NEGLECTED))
    half = whole[: reach + 1]
    found = np.concatenate([half[:0:-1], half])
    return np.asarray(found / np.sqrt(np.sum(found**2)), np.float32)


def generator(part: str, key: str, version: int | str) -> np.random.Generator:
    """Random numbers that belong to a part of the error model and a key from the data, whatever the order of work.

    Philox, keyed with the first 128 bits of the SHA-256 of part, key and model version: same data, same numbers.
    """
    digest = hashlib.sha256(f"{part}|{key}|{version}".encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "little")))


def smooth_field(rng: np.random.Generator, count: int, width_oct: float) -> Floats32:
    """(count, 199) independent fields of unit sd."""
    filter_taps = taps(width_oct)
    size, reach = len(LOG2_HZ), len(filter_taps) // 2
    white = rng.standard_normal((count, size + 2 * reach), dtype=np.float32)
    return np.asarray(white @ _banded(width_oct)) if reach > _FEW_TAPS else _filtered(white, filter_taps, size)


_FEW_TAPS = 8  # on each side, up to which adding shifted rows is quicker than a product of matrices


def _filtered(white: Floats32, filter_taps: Floats32, size: int) -> Floats32:
    reach = len(filter_taps) // 2
    found = filter_taps[reach] * white[:, reach : reach + size]
    for i in range(reach):  # the filter is even
        found += filter_taps[i] * (white[:, i : i + size] + white[:, 2 * reach - i : 2 * reach - i + size])
    return found


@lru_cache(maxsize=16)
def _banded(width_oct: float) -> Floats32:
    """(199 + 2n, 199): the filter as a matrix."""
    filter_taps = taps(width_oct)
    size = len(LOG2_HZ)
    matrix = np.zeros((size + len(filter_taps) - 1, size), np.float32)
    for j in range(size):
        matrix[j : j + len(filter_taps), j] = filter_taps
    return matrix
