"""Differences of values with errors of known size, and how many of many differences can be believed (statistics.md §6)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

Z = 1.959963984540054  # 97.5 % point of the normal law
C = Z * (1.0 + (1.0 + 1.96**2) / (4.0 * 400.0))  # standard deviations come from 400 draws
LEVEL = 0.05


@dataclass(frozen=True, eq=False)
class Side:
    """n values on a metric's scale. x, v (n,): value and its variance; other_x, other_v, other_share (n,): the second branch of a value
    that is one of two, NaN where it is one; open_below, open_above (n,): what is only known to be at most, at least so much."""

    x: FloatArray
    v: FloatArray
    other_x: FloatArray
    other_v: FloatArray
    other_share: FloatArray
    open_below: BoolArray
    open_above: BoolArray


@dataclass(frozen=True, eq=False)
class Differences:
    """m differences a − b. difference (m,), NaN where either is censored; low, high (m,): 95 % interval, infinite on an open
    side; se (m,); p (m,): two-sided, of a bound for a censored difference (so never too small); above (m,): probability that a is the
    higher, NaN where censored; differs (m,): 0 lies outside the interval, which is the same as p < 0.05."""

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    se: FloatArray
    p: FloatArray
    above: FloatArray
    differs: BoolArray


def differences(a: Side, b: Side, shared: FloatArray) -> Differences:
    """a − b, `shared` (m,) being the variance that is added to both sides' own.

    D ± c·d with d² the sum of the variances, p = 2·Φ(−1.96·|D|/(c·d)), probability of a above b = Φ(1.96·D/(c·d)); with branches the
    law of D is a mixture of two or four normals: the interval are its 2.5 and 97.5 % points, p = 2·min(P(D < 0), P(D > 0)).
    """
    gap = a.x - b.x
    sd = np.sqrt(a.v + b.v + shared) * (C / Z)
    low, high = gap - Z * sd, gap + Z * sd
    above = _phi(_ratio(gap, sd))
    below = _phi(_ratio(-gap, sd))
    open_below, open_above = a.open_below | b.open_above, a.open_above | b.open_below
    censored = open_below | open_above
    two = (np.isfinite(a.other_share) | np.isfinite(b.other_share)) & ~censored
    for row in np.flatnonzero(two):
        share, mean, each = _branches(a, b, shared, int(row))
        above[row], below[row] = (float(share @ _phi(_ratio(sign * mean, each))) for sign in (1.0, -1.0))
        low[row], high[row] = (_quantile(level, share, mean, each) for level in (0.025, 0.975))
    # a bound speaks for a difference only on its closed side
    p = 2.0 * np.where(open_below & open_above, 0.5, np.where(open_above, below, np.where(open_below, above, np.minimum(below, above))))
    p = np.minimum(p, 1.0)
    return Differences(
        np.where(censored, np.nan, gap), np.where(open_below, -np.inf, low), np.where(open_above, np.inf, high),
        np.sqrt(a.v + b.v + shared), p, np.where(censored, np.nan, above), p < LEVEL,
    )  # fmt: skip


def _branches(a: Side, b: Side, shared: FloatArray, row: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share, mean and standard deviation (k,) of each normal that the difference of a row is a mixture of, k = 2 or 4."""
    sides = []
    for side in (a, b):
        other = float(side.other_share[row])
        one = [(1.0, float(side.x[row]), float(side.v[row]))]
        two = [(1.0 - other, one[0][1], one[0][2]), (other, float(side.other_x[row]), float(side.other_v[row]))]
        sides.append(two if math.isfinite(other) else one)
    found = [
        (sa * sb, xa - xb, math.sqrt(va + vb + float(shared[row])) * (C / Z))
        for sa, xa, va in sides[0] for sb, xb, vb in sides[1]
    ]  # fmt: skip
    share, mean, sd = (np.array(column) for column in zip(*found, strict=True))
    return share, mean, sd


def _quantile(level: float, share: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    """The point below which `level` of a mixture of normals lies, by bisection."""
    low, high = float((mean - 9.0 * sd).min()), float((mean + 9.0 * sd).max())
    for _ in range(60):
        middle = 0.5 * (low + high)
        if share @ _phi(_ratio(middle - mean, sd)) < level:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _ratio(x: FloatArray, sd: FloatArray) -> FloatArray:
    """x in standard deviations; where there is no error, ±∞, and 0 for none of both."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(sd > 0, x / sd, np.where(x == 0, 0.0, np.sign(x) * np.inf))


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
    """'yes' where the interval lies wholly outside ±delta, 'no' where wholly inside, else 'unclear'. Infinite ends are open.

    All on the metric's scale: where ratios count, differences in octaves and log2 of the ratio that matters.
    """
    outside = (low > delta) | (high < -delta)
    inside = (low >= -delta) & (high <= delta)
    return np.select([outside, inside], ["yes", "no"], "unclear")
