"""Differences between two values measured with shared errors, and how many of many differences can be believed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False)
class Differences:
    """m differences a − b. difference (m,), NaN where either is censored; low, high (m,): 95 % interval, infinite on an open
    side; se (m,); p (m,): two-sided, of a bound for a censored difference (so never too small); above (m,): probability that a is the higher,
    NaN where censored."""

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    se: FloatArray
    p: FloatArray
    above: FloatArray


def differences(a: Floats, b: Floats, a_bounds: tuple[FloatArray, FloatArray], b_bounds: tuple[FloatArray, FloatArray]) -> Differences:  # fmt: skip
    """Differences of draws a, b (m, B) whose values are known to lie within bounds (lower (m,), upper (m,)).

    Errors that both share are equal in each draw and cancel. D = mean of a − b, z = D / sd of the draws of a − b,
    p = 2·Φ(−|z|), probability of a above b = Φ(z); the interval is the 2.5 and 97.5 % points of the draws.
    """
    gap = a.astype(np.float64) - b
    se = gap.std(axis=1, ddof=1)
    centre = gap.mean(axis=1)
    low, high = np.percentile(gap, (2.5, 97.5), axis=1)
    least, most = a_bounds[0] - b_bounds[1], a_bounds[1] - b_bounds[0]
    open_below, open_above = np.isneginf(least), np.isposinf(most)
    censored = open_below | open_above
    with np.errstate(invalid="ignore", divide="ignore"):
        z = np.where(se > 0, centre / se, np.sign(centre) * np.inf)
    z = np.where((se == 0) & (centre == 0), 0.0, z)
    # a bound speaks for a difference only on its closed side
    speaks = np.where(open_below & open_above, 0.0, np.where(open_above, np.maximum(z, 0.0), np.where(open_below, np.minimum(z, 0.0), z)))  # fmt: skip
    return Differences(
        np.where(censored, np.nan, centre), np.where(open_below, -np.inf, low), np.where(open_above, np.inf, high), se,
        2.0 * _phi(-np.abs(speaks)), np.where(censored, np.nan, _phi(z)),
    )  # fmt: skip


def _phi(z: FloatArray) -> FloatArray:
    """Φ(z) (m,). From the standard library, since loading scipy takes longer than any comparison."""
    return np.array([0.5 * math.erfc(-x / math.sqrt(2.0)) for x in z.tolist()])


def benjamini_hochberg(p: FloatArray) -> FloatArray:
    """q (m,): the least false discovery rate at which each of m tests is rejected; NaN stays NaN and is not counted.

    Source: Y. Benjamini, Y. Hochberg, Journal of the Royal Statistical Society B 57(1), 1995, 289-300.

    >>> benjamini_hochberg(np.array([0.01, 0.04, 0.03, np.nan])).round(3).tolist()
    [0.03, 0.04, 0.04, nan]
    """
    q = np.full(len(p), np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(-p[tested], kind="stable")]  # largest first
    place = np.arange(len(order), 0, -1)
    q[order] = np.minimum.accumulate(np.minimum(p[order] * len(order) / place, 1.0))
    return q


def matters(low: FloatArray, high: FloatArray, delta: FloatArray | float) -> NDArray[np.str_]:
    """'yes' where the interval lies wholly outside ±delta, 'no' where wholly inside, else 'unclear'. Infinite ends are open."""
    outside = (low > delta) | (high < -delta)
    inside = (low >= -delta) & (high <= delta)
    return np.select([outside, inside], ["yes", "no"], "unclear")
