"""Trends with errors that speakers of one maker share: least squares, Tobit where values are censored, Theil-Sen beside
them.

n speakers, p columns of the design matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.clusters import Clustered, Estimates, sums

FloatArray = NDArray[np.float64]
Codes = NDArray[np.int64]
MOST_EXACT = 2000  # rows up to which all pairs are taken for Theil-Sen
RANDOM_PAIRS = 2_000_000
_ITERATIONS = 100


@dataclass(frozen=True, eq=False)
class Fit:
    """coefficient (p,), and its errors by the scores of the m parameters that were fitted; jacobian (p, m) of the one
    by the other."""

    coefficient: FloatArray
    clustered: Clustered
    jacobian: FloatArray

    def estimates(self, contrasts: FloatArray) -> Estimates:
        """contrasts (k, p) times the coefficients."""
        return self.clustered.estimates(contrasts @ self.coefficient, contrasts @ self.jacobian)


def least_squares(matrix: FloatArray, y: FloatArray, cluster: Codes) -> Fit:
    """Least squares; matrix (n, p) of full rank, cluster (n,) codes 0, 1, …"""
    coefficient: FloatArray = np.asarray(np.linalg.lstsq(matrix, y)[0], np.float64)
    information = sums(cluster, matrix[:, :, None] * matrix[:, None, :])
    scores = sums(cluster, matrix * (y - matrix @ coefficient)[:, None])
    return Fit(coefficient, Clustered.of(information, scores), np.eye(matrix.shape[1]))


def tobit(matrix: FloatArray, y: FloatArray, side: NDArray[np.signedinteger[Any]], cluster: Codes) -> tuple[Fit, float]:
    """Maximum likelihood of y = matrix·β + σ·ε with ε normal; returns the fit of β and σ.

    side (n,): 0 exact, 1 the true value is at least y, −1 at most y. Newton's method in β/σ and 1/σ, in which the
    likelihood is concave (R. J. Olsen, Econometrica 46(5), 1978); errors by the same bias-reduced sandwich as least
    squares, over the scores and the observed information of all p + 1 parameters. Raises ArithmeticError where it does
    not converge.
    """
    p = matrix.shape[1]
    exact = side == 0
    scale = float(y[exact].std()) or 1.0
    target = y / scale
    start, *_ = np.linalg.lstsq(matrix[exact], target[exact])
    inverse = 1.0 / max(float((target[exact] - matrix[exact] @ start).std()), 1e-3)
    theta = np.append(start * inverse, inverse)
    at = _likelihood(matrix, target, side, theta)
    for _ in range(_ITERATIONS):
        step = np.linalg.solve(at.information(), at.gradient.sum(axis=0))
        length = 1.0
        while True:
            trial = theta + length * step
            if trial[-1] > 0:
                found = _likelihood(matrix, target, side, trial)
                if found.value >= at.value - 1e-12 * abs(at.value):
                    break
            length /= 2.0
            if length < 1e-10:
                raise ArithmeticError("the censored regression does not converge")
        gain, theta, at = found.value - at.value, trial, found
        if abs(gain) < 1e-10 * (1.0 + abs(at.value)):
            break
    else:
        raise ArithmeticError("the censored regression does not converge")
    clustered = Clustered.of(at.information_within(cluster), sums(cluster, at.gradient))
    # β = δ/θ, by the delta method
    inverse = theta[-1]
    jacobian = np.column_stack([np.eye(p) / inverse, -theta[:-1] / inverse**2]) * scale
    return Fit(theta[:-1] / inverse * scale, clustered, jacobian), scale / inverse


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """value: the log-likelihood; gradient (n, p + 1) per row; its observed information is weight (n,) times away·awayᵀ,
    away (n, p + 1), and scale (n,) for the last parameter by itself."""

    value: float
    gradient: FloatArray
    away: FloatArray
    weight: FloatArray
    scale: FloatArray

    def information(self) -> FloatArray:
        found: FloatArray = (self.away * self.weight[:, None]).T @ self.away
        found[-1, -1] += self.scale.sum()
        return found

    def information_within(self, cluster: Codes) -> FloatArray:
        found = sums(cluster, self.weight[:, None, None] * self.away[:, :, None] * self.away[:, None, :])
        found[:, -1, -1] += sums(cluster, self.scale)
        return found


def _likelihood(
    matrix: FloatArray, y: FloatArray, side: NDArray[np.signedinteger[Any]], theta: FloatArray
) -> _Likelihood:
    from scipy.special import log_ndtr

    delta, inverse = theta[:-1], theta[-1]
    left = inverse * y - matrix @ delta
    exact = side == 0
    away = np.column_stack([matrix, -y])
    u = -side * left
    log_tail = log_ndtr(u)
    mills = np.exp(-0.5 * u**2 - 0.5 * np.log(2.0 * np.pi) - log_tail)
    value = float(np.where(exact, np.log(inverse) - 0.5 * left**2, log_tail).sum())
    gradient = away * np.where(exact, left, side * mills)[:, None]
    gradient[:, -1] += np.where(exact, 1.0 / inverse, 0.0)
    weight = np.where(exact, 1.0, mills * (u + mills))
    return _Likelihood(value, gradient, away, weight, np.where(exact, 1.0 / inverse**2, 0.0))


def theil_sen(x: FloatArray, y: FloatArray, random: np.random.Generator) -> float:
    """Median of the slopes of all pairs with different x; of two million pairs picked at random above 2,000 rows; NaN
    without a pair.

    Source: P. K. Sen, Journal of the American Statistical Association 63, 1968.
    """
    if len(x) <= MOST_EXACT:
        i, j = np.triu_indices(len(x), 1)
    else:
        i, j = random.integers(0, len(x), (2, RANDOM_PAIRS))
    run = x[j] - x[i]
    differ = run != 0
    if not differ.any():
        return float("nan")
    return float(np.median((y[j] - y[i])[differ] / run[differ]))


def reliability(value: FloatArray, se: FloatArray) -> float:
    """Share of the variance of measured values that is not measurement error, 0…1; a slope over them is too flat by
    about that factor."""
    variance = value.var(ddof=1)
    return float(np.clip(1.0 - (se**2).mean() / variance, 0.0, 1.0)) if variance > 0 else 0.0
