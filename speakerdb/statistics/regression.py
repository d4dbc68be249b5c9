"""Trends with errors that speakers of one maker share: least squares, Tobit where values are censored, Theil-Sen beside them.

n speakers, p columns of the design matrix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
LEVEL = 0.95
MOST_EXACT = 2000  # rows up to which all pairs are taken for Theil-Sen
RANDOM_PAIRS = 2_000_000
_ITERATIONS = 100


@dataclass(frozen=True, eq=False)
class Fit:
    """coefficient (p,), covariance (p, p) clustered, clusters: how many; t has clusters − 1 degrees of freedom."""

    coefficient: FloatArray
    covariance: FloatArray
    clusters: int

    def se(self, column: int) -> float:
        return float(np.sqrt(max(self.covariance[column, column], 0.0)))

    def half_width(self, se: FloatArray | float) -> FloatArray:
        """Half the 95 % interval of something with standard error se."""
        from scipy.special import stdtrit

        half: FloatArray = np.asarray(stdtrit(self.clusters - 1, (1.0 + LEVEL) / 2.0) * np.asarray(se))
        return half

    def p(self, column: int) -> float:
        """Two-sided, of the column's coefficient being 0."""
        from scipy.special import stdtr

        se = self.se(column)
        if se == 0:
            return 0.0 if self.coefficient[column] else 1.0
        return float(2.0 * stdtr(self.clusters - 1, -abs(self.coefficient[column]) / se))


def _sandwich(bread: FloatArray, scores: FloatArray, clusters: NDArray[Any], factor: float) -> tuple[FloatArray, int]:
    """bread·(Σ over clusters of s·sᵀ)·bread with the small-sample factor; scores (n, p) are summed within clusters."""
    _, code = np.unique(np.asarray(clusters).astype(str), return_inverse=True)
    count = int(code.max()) + 1
    sums = np.zeros((count, scores.shape[1]))
    np.add.at(sums, code, scores)
    covariance: FloatArray = factor * count / (count - 1) * bread @ (sums.T @ sums) @ bread
    return covariance, count


def least_squares(matrix: FloatArray, y: FloatArray, clusters: NDArray[Any]) -> Fit:
    """Least squares with cluster-robust errors of type CR1: factor G/(G − 1)·(n − 1)/(n − p).

    Source: A. C. Cameron, D. L. Miller, Journal of Human Resources 50(2), 2015, section II. matrix (n, p) of full rank, at least
    two clusters.
    """
    n, p = matrix.shape
    bread = np.linalg.inv(matrix.T @ matrix)
    coefficient = np.linalg.lstsq(matrix, y)[0]
    residual = y - matrix @ coefficient
    covariance, count = _sandwich(bread, matrix * residual[:, None], clusters, (n - 1) / (n - p))
    return Fit(coefficient, covariance, count)


def tobit(
    matrix: FloatArray, y: FloatArray, side: NDArray[np.signedinteger[Any]], clusters: NDArray[Any]
) -> tuple[Fit, float]:
    """Maximum likelihood of y = matrix·β + σ·ε with ε normal; returns the fit of β with clustered errors, and σ.

    side (n,): 0 exact, 1 the true value is at least y, −1 at most y. Newton's method in β/σ and 1/σ, in which the likelihood is concave
    (R. J. Olsen, Econometrica 46(5), 1978). Raises ArithmeticError where it does not converge.
    """
    p = matrix.shape[1]
    exact = side == 0
    scale = float(y[exact].std()) or 1.0
    target = y / scale
    start, *_ = np.linalg.lstsq(matrix[exact], target[exact])
    inverse = 1.0 / max(float((target[exact] - matrix[exact] @ start).std()), 1e-3)
    theta = np.append(start * inverse, inverse)
    value, gradient, hessian = _likelihood(matrix, target, side, theta)
    for _ in range(_ITERATIONS):
        step = np.linalg.solve(hessian, gradient.sum(axis=0))
        length = 1.0
        while True:
            trial = theta - length * step
            if trial[-1] > 0:
                found = _likelihood(matrix, target, side, trial)
                if found[0] >= value - 1e-12 * abs(value):
                    break
            length /= 2.0
            if length < 1e-10:
                raise ArithmeticError("the censored regression does not converge")
        gain, theta, (value, gradient, hessian) = found[0] - value, trial, found
        if abs(gain) < 1e-10 * (1.0 + abs(value)):
            break
    bread = np.linalg.inv(-hessian)
    joint, count = _sandwich(bread, gradient, clusters, 1.0)
    # β = δ/θ, by the delta method
    inverse = theta[-1]
    jacobian = np.column_stack([np.eye(p) / inverse, -theta[:-1] / inverse**2])
    return Fit(theta[:-1] / inverse * scale, jacobian @ joint @ jacobian.T * scale**2, count), scale / inverse


def _likelihood(
    matrix: FloatArray, y: FloatArray, side: NDArray[np.signedinteger[Any]], theta: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood, its gradient per row (n, p + 1), its Hessian."""
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
    weight = np.where(exact, -1.0, -mills * (u + mills))
    hessian: FloatArray = (away * weight[:, None]).T @ away
    hessian[-1, -1] -= exact.sum() / inverse**2
    return value, gradient, hessian


def theil_sen(x: FloatArray, y: FloatArray, random: np.random.Generator) -> float:
    """Median of the slopes of all pairs with different x; of two million pairs picked at random above 2,000 rows; NaN without a pair.

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
    """Share of the variance of measured values that is not measurement error, 0…1; a slope over them is too flat by about that factor."""
    variance = value.var(ddof=1)
    return float(np.clip(1.0 - (se**2).mean() / variance, 0.0, 1.0)) if variance > 0 else 0.0
