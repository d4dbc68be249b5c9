"""How far two groups lie apart, in their own spread and in order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def hedges_g(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """Standardized difference of means a − b, corrected for small samples, with a 95 % interval; NaN below two in each.

    g = J·(ā − b̄)/s, J = 1 − 3/(4·(n_a + n_b) − 9), s the pooled standard deviation; variance (n_a + n_b)/(n_a·n_b) +
    g²/(2·(n_a + n_b)). Source: L. V. Hedges, Journal of Educational Statistics 6(2), 1981, 107-128.

    >>> [round(x, 3) for x in hedges_g(np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0]))]
    [1.6, -0.239, 3.439]
    """
    n, m = len(a), len(b)
    if n < 2 or m < 2:
        return np.nan, np.nan, np.nan
    s = float(np.sqrt(((n - 1) * a.var(ddof=1) + (m - 1) * b.var(ddof=1)) / (n + m - 2)))
    if s == 0:
        return np.nan, np.nan, np.nan
    g = (1.0 - 3.0 / (4.0 * (n + m) - 9.0)) * float(a.mean() - b.mean()) / s
    half = 1.959964 * float(np.sqrt((n + m) / (n * m) + g**2 / (2.0 * (n + m))))
    return g, g - half, g + half


def cliffs_delta(
    a_lower: FloatArray, a_upper: FloatArray, b_lower: FloatArray, b_upper: FloatArray
) -> tuple[float, float]:
    """Share of pairs with a above b minus the share with a below: at least and at most, with bounds at their worst and best.

    Equal where all values are exact. Source: N. Cliff, Psychological Bulletin 114(3), 1993, 494-509.

    >>> cliffs_delta(*[np.array([2.0, 3.0])] * 2, *[np.array([1.0, 3.0])] * 2)
    (0.25, 0.25)
    """
    return _delta(a_lower, b_upper), _delta(a_upper, b_lower)


def _delta(a: FloatArray, b: FloatArray) -> float:
    ordered = np.sort(b)
    below = np.searchsorted(ordered, a, side="left").sum()
    above = (len(b) - np.searchsorted(ordered, a, side="right")).sum()
    return float(below - above) / (len(a) * len(b)) if len(a) and len(b) else np.nan
