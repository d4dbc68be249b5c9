"""Holds random errors against a stated law, with a tolerance that follows from the number of draws (nothing is
tuned)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def law(frequency_hz: FloatArray, sd_db: FloatArray | float, width_oct: float) -> FloatArray:
    """(F, F) covariance of a field: sd(f)·sd(g)·exp(−π(Δ/w)²), Δ in octaves."""
    octave = np.log2(frequency_hz)
    sd = np.broadcast_to(sd_db, octave.shape)
    return np.asarray(np.outer(sd, sd) * np.exp(-np.pi * ((octave[:, None] - octave) / width_oct) ** 2))


def size(covariance: FloatArray) -> FloatArray:
    """Weights that ask for the mean variance relative to the law's."""
    return np.asarray(np.diag(1.0 / np.diag(covariance)) / len(covariance))


def kinship(covariance: FloatArray, points: int) -> FloatArray:
    """Weights that ask for the mean correlation of points so many apart."""
    sd = np.sqrt(np.diag(covariance))
    return np.asarray(np.diag(1.0 / (sd[points:] * sd[:-points]), points) / (len(sd) - points))


def standing(
    x: FloatArray, y: FloatArray, weights: FloatArray, xx: FloatArray, yy: FloatArray, xy: FloatArray
) -> float:
    """By how many of its standard errors the mean of xᵀWy over draws x, y (N, F) lies from what the law says.

    Jointly Gaussian, means 0, covariances xx, yy, xy (F, F): E = tr(W·xyᵀ), variance of one draw
    tr(W·yy·Wᵀ·xx) + tr(W·xyᵀ·W·xyᵀ) (Isserlis 1918, the fourth moments of a normal vector).
    """
    found = np.mean(np.einsum("nf,fg,ng->n", x, weights, y, optimize=True))
    crossed = weights @ xy.T
    variance = np.trace(weights @ yy @ weights.T @ xx) + np.trace(crossed @ crossed)
    return float((found - np.trace(crossed)) / np.sqrt(variance / len(x)))
