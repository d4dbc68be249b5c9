"""Do measurements of one thing disagree beyond their errors, and by how much is their mean then less sure?
(method:statistics#sessions-that-disagree)"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DISAGREEMENT_P = 0.01  # of the Q test, below which sessions count as disagreeing


def disagreement(value: Array, weight: Array, covariance: Array) -> tuple[float, float]:
    """(Q/df, p) of values (n,) about their weighted mean, against the covariance (n, n) of their errors.

    What they share cancels in the residuals, so that only errors that could make them differ count; df = n − 1 (W. G.
    Cochran, Biometrics 10, 1954). With independent errors of equal size σ, Q = Σ(x − mean)²/σ².

    >>> ratio, p = disagreement(np.array([10.0, 13.0]), np.array([0.5, 0.5]), np.diag([0.09, 0.09]))
    >>> round(ratio, 6), p < 0.01
    (50.0, True)
    """
    from scipy.special import gammaincc

    residual_of = np.eye(len(value)) - np.ones((len(value), 1)) * weight
    residual, spread = residual_of @ value, residual_of @ covariance @ residual_of.T
    values, vectors = np.linalg.eigh(spread)
    kept = values > 1e-9 * max(float(values[-1]), 1e-300)
    df = int(min(kept.sum(), len(value) - 1))
    if df < 1:
        return 0.0, 1.0
    chosen = np.argsort(values)[::-1][:df]
    q = float(np.sum((vectors[:, chosen].T @ residual) ** 2 / values[chosen]))
    return q / df, float(gammaincc(df / 2.0, q / 2.0))


def widening(ratio: float, p: float) -> tuple[float, bool]:
    """By what the standard error of the mean is multiplied, and whether to say that the sessions disagree: √(Q/df)
    where p < 0.01.

    n independent sessions of equal error then have the pooled error s/√n, s being their own standard deviation.
    """
    return (float(np.sqrt(max(ratio, 1.0))), True) if p < DISAGREEMENT_P else (1.0, False)
