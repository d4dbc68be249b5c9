"""Errors that vary smoothly over frequency, drawn from seeds that depend on the data alone
(method:statistics#draws)."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import LOG2_HZ, WHOLE, Points, smooth_third_octave

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

_NODES_APART = 0.43  # widths: correlations are then right to 0.02


def correlation(log2_hz: Floats, other_log2_hz: Floats, width_oct: float) -> Floats:
    """(n, m): exp(−π(Δ/w)²), Δ in octaves; the integral of that over Δ is w."""
    return np.asarray(np.exp(-np.pi * ((log2_hz[:, None] - other_log2_hz) / width_oct) ** 2))


def carried(at_nodes: Floats, across: Floats) -> Floats32:
    """(n, F) rows that make n standard normals a Gaussian field of unit sd at F points: drawn at nodes with covariance
    at_nodes (n, n), carried to the points by the regression on these, across (n, F), and brought back to unit sd: nodes
    as near to each other as the field is smooth leave a hundredth of the variance behind."""
    root = np.linalg.solve(np.linalg.cholesky(at_nodes), across)
    root[np.abs(root) < 1e-9] = 0.0  # numbers too small for single precision would make the product ten times as slow
    return np.asarray(root / np.sqrt(np.sum(root**2, axis=0)), np.float32)


@lru_cache(maxsize=32)
def _root(width_oct: float, points: Points) -> Floats32:
    """(n, F) of a field of this width, with the points themselves as nodes where they are no nearer to each other."""
    log2_hz = points.log2_hz
    count = min(int(np.ceil((log2_hz[-1] - log2_hz[0]) / (_NODES_APART * width_oct))) + 1, len(log2_hz))
    nodes = np.linspace(log2_hz[0], log2_hz[-1], count)
    return carried(correlation(nodes, nodes, width_oct), correlation(nodes, log2_hz, width_oct))


@lru_cache(maxsize=8)
def _smoothed_root(width_oct: float, points: Points) -> Floats32:
    """(n, F): the same of what 1/3-octave smoothing leaves of a field, from nodes a fifth of an octave apart: it leaves
    a hundredth of what varies faster than that."""
    smoothing = smooth_third_octave(np.eye(len(LOG2_HZ))).T  # a row averages the points around one
    covariance = smoothing @ correlation(LOG2_HZ, LOG2_HZ, width_oct) @ smoothing.T
    nodes = np.arange(points.index[0], points.index[-1] + 1, 4)
    root = carried(covariance[np.ix_(nodes, nodes)], covariance[np.ix_(nodes, points.index)])
    return np.asarray(root * np.sqrt(np.diag(covariance)[points.of_grid]), np.float32)


def generator(part: str, key: str, version: int | str) -> np.random.Generator:
    """Random numbers that belong to a part of the error model and a key from the data, whatever the order of work.

    Philox, keyed with the first 128 bits of the SHA-256 of part, key and model version: same data, same numbers.
    """
    digest = hashlib.sha256(f"{part}|{key}|{version}".encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "little")))


def smooth_field(
    rng: np.random.Generator, count: int, width_oct: float, points: Points = WHOLE, sd: Floats32 | float = 1.0
) -> Floats32:
    """(count, F) independent fields of a standard deviation, (F,) or the same at all points, with correlation
    exp(−π(Δ/w)²)."""
    return _drawn(rng, count, _root(width_oct, points), sd)


def smoothed_field(
    rng: np.random.Generator, count: int, width_oct: float, points: Points, sd: Floats32 | float = 1.0
) -> Floats32:
    """(count, F) such fields, 1/3-octave smoothed; sd: before they were."""
    return _drawn(rng, count, _smoothed_root(width_oct, points), sd)


def _drawn(rng: np.random.Generator, count: int, root: Floats32, sd: Floats32 | float) -> Floats32:
    return np.asarray(rng.standard_normal((count, len(root)), dtype=np.float32) @ (root * np.float32(sd)))
