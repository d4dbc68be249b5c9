"""Differences of two values with errors of known size, and how many of many differences can be believed
(method:statistics#comparison).

The rule is the very one of places (method:statistics#places): where two differ here by all their sessions, one is the
better there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.places import CRITICAL, Scores, better, scale

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
_TAIL = 0.025
_HALVINGS = 50  # of a bracket of some twenty standard errors: far below any display step


@dataclass(frozen=True, eq=False)
class Differences:
    """m differences x_i − x_j. difference (m,), NaN where either is censored; low, high (m,): 95 % interval, infinite
    on an open side; d (m,): standard error, of the branches that the values lie in; p (m,): two-sided, of a bound for a
    censored difference (so never too small); above (m,): probability that i is the higher, NaN where censored; differs
    (m,): 0 lies outside the interval, which is the same as p < 0.05."""

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    d: FloatArray
    p: FloatArray
    above: FloatArray
    differs: NDArray[np.bool_]


def differences(scores: Scores, i: IntArray, j: IntArray) -> Differences:
    """Rows i less rows j (m,) of scores.

    D ± c·d, p = 2·Φ(−1.96·|D|/(c·d)), probability of i above j = Φ(1.96·D/(c·d)); with branches the law of D is a
    mixture of two or four normals: the interval are its 2.5 and 97.5 % points, p = 2·min(P(D < 0), P(D > 0)).
    """
    above, below = better(scores, j, i), better(scores, i, j)
    d, gap = scale(scores, i, j), scores.x[i] - scores.x[j]
    least, most = scores.lower[i] - scores.upper[j], scores.upper[i] - scores.lower[j]
    low, high = least - CRITICAL * d, most + CRITICAL * d
    open_below = np.isneginf(scores.lower[i]) | np.isposinf(scores.upper[j])
    open_above = np.isposinf(scores.upper[i]) | np.isneginf(scores.lower[j])
    censored = (scores.lower[i] < scores.upper[i]) | (scores.lower[j] < scores.upper[j])
    two = np.flatnonzero(scores.branched[i] | scores.branched[j])
    if len(two):
        low[two], high[two] = _sure(scores, i[two], j[two]), -_sure(scores, j[two], i[two])
    p = 2.0 * (1.0 - np.maximum(above.probability, below.probability))
    return Differences(
        np.where(censored, np.nan, gap),
        np.where(open_below, -np.inf, low),
        np.where(open_above, np.inf, high),
        d,
        np.minimum(p, 1.0),
        np.where(censored, np.nan, above.probability),
        above.surely | below.surely,
    )


def _sure(scores: Scores, i: IntArray, j: IntArray) -> FloatArray:
    """(m,) by how much rows i surely exceed rows j (less than 0: fall short of them at most), by halving: at the 2.5 %
    point of the law of x_i − x_j the probability of being above it is 97.5 %."""
    both, m = scores.take(np.concatenate([i, j])), len(i)
    first, second = np.arange(m), np.arange(m, 2 * m)
    x = np.stack([both.x, np.where(both.branched, both.other_x, both.x)])
    reach = 10.0 * np.sqrt(np.maximum(both.main.v, both.other.v))
    reach = reach[:m] + reach[m:] + 10.0 * np.sqrt(both.benches.variance(first, second))
    low, high = x[:, :m].min(axis=0) - x[:, m:].max(axis=0) - reach, x[:, :m].max(axis=0) - x[:, m:].min(axis=0) + reach
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        shift = np.concatenate([middle, np.zeros(m)])
        moved = replace(
            both, x=both.x - shift, lower=both.lower - shift, upper=both.upper - shift, other_x=both.other_x - shift
        )
        surely = better(moved, second, first).probability > 1.0 - _TAIL
        low, high = np.where(surely, middle, low), np.where(surely, high, middle)
    return np.asarray(0.5 * (low + high))


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
    """'yes' where the interval lies wholly outside ±delta, 'no' where wholly inside, else 'unclear'. Infinite ends are
    open.

    All on the metric's scale: where ratios count, differences in octaves and log2 of the ratio that matters.
    """
    outside = (low > delta) | (high < -delta)
    inside = (low >= -delta) & (high <= delta)
    return np.select([outside, inside], ["yes", "no"], "unclear")
