"""Two properties against each other: who stands on the frontier, what one leads to expect of the other.

For the frontier more of either is better: negate where less is. n speakers, B draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
LEVEL = 0.95
LEAST_FOR_QUANTILE = 50
BOOTSTRAPS = 200


def undominated(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """(n, B): in each draw, whether no other speaker is at least as good in both and better in one.

    >>> undominated(np.array([[1.0], [2.0], [2.0]]), np.array([[3.0], [2.0], [1.0]])).ravel().tolist()
    [True, True, False]
    """
    if not len(x):
        return np.zeros(x.shape, bool)
    order = np.lexsort((-y, -x), axis=0)
    xs, ys = np.take_along_axis(x, order, axis=0), np.take_along_axis(y, order, axis=0)
    first = np.ones(xs.shape, bool)  # the first of those with the same x: the best of them in y
    first[1:] = xs[1:] != xs[:-1]
    leader = np.maximum.accumulate(np.where(first, np.arange(len(x))[:, None], 0), axis=0)
    before = np.full(ys.shape, -np.inf)
    before[1:] = np.maximum.accumulate(ys, axis=0)[:-1]
    none_before = leader == 0
    ahead = np.take_along_axis(before, leader, axis=0)
    beaten = (~none_before & (ahead >= ys)) | (np.take_along_axis(ys, leader, axis=0) > ys)
    found = np.empty(x.shape, bool)
    np.put_along_axis(found, order, ~beaten, axis=0)
    return found


def _share_alone(own: tuple[Floats, Floats], others: tuple[Floats, Floats]) -> FloatArray:
    """(n,) share of draws in which a speaker at its own ends (x, y) is dominated by none of the other speakers at theirs."""
    count, draws = own[0].shape
    found = np.zeros(count)
    for b in range(draws):
        x, y, own_x, own_y = (np.ascontiguousarray(one[:, b], np.float64) for one in (*others, *own))
        found += ~_dominated_by_others(x, y, own_x, own_y)
    return np.asarray(found / draws)


def _dominated_by_others(x: FloatArray, y: FloatArray, own_x: FloatArray, own_y: FloatArray) -> NDArray[np.bool_]:
    """(n,) whether another speaker at (x, y) dominates this one at (own_x, own_y)."""
    order = np.argsort(-x, kind="stable")
    # of the first 0, 1, … n in falling x: the best y, whose it is, and the best y of the rest of them
    best = np.maximum.accumulate(y[order])
    before = np.concatenate([[-np.inf], best[:-1]])
    record = y[order] > before
    record[0] = True
    whose = np.concatenate([[-1], order[np.maximum.accumulate(np.where(record, np.arange(len(x)), 0))]])
    rest = np.concatenate([[-np.inf], np.maximum.accumulate(np.minimum(y[order], before))])
    best = np.concatenate([[-np.inf], best])
    itself = np.arange(len(x))

    def highest(side: Literal["left", "right"]) -> FloatArray:
        """The best y of the others whose x is at least ('right') or more than ('left') one's own."""
        count = np.searchsorted(-x[order], -own_x, side=side)
        return np.asarray(np.where(whose[count] == itself, rest[count], best[count]))

    more = highest("left")
    return np.asarray((highest("right") > own_y) | ((more >= own_y) & (more > -np.inf)))


@dataclass(frozen=True, eq=False)
class Known:
    """A property of n speakers: draws (n, B), turned so that more is better; open_below, open_above (n,): censored there."""

    draws: Floats
    open_below: NDArray[np.bool_]
    open_above: NDArray[np.bool_]

    def least(self) -> Floats:
        return np.where(self.open_below[:, None], -np.inf, self.draws)

    def most(self) -> Floats:
        return np.where(self.open_above[:, None], np.inf, self.draws)

    @property
    def censored(self) -> NDArray[np.bool_]:
        return self.open_below | self.open_above


def frontier_probability(x: Known, y: Known) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n,) share of draws in which each is not dominated: with censored values at their bounds; at their worst for the speaker
    (its own least, the others' most); at their best. The last two equal the first where nothing is censored."""
    share: FloatArray = undominated(x.draws, y.draws).mean(axis=1)
    censored = x.censored | y.censored
    if not censored.any():
        return share, share, share
    least, most = (x.least(), y.least()), (x.most(), y.most())
    low, high = _share_alone(least, most), _share_alone(most, least)
    return share, low, high


def frontier_limit(x: Floats, y: Floats) -> FloatArray:
    """(n,): the x, more being better, that a speaker would have to exceed to stand on the frontier in half of the draws: the best x
    among those that are at least as good in y. −inf where none is. For a price (negated): the price to undercut."""
    order = np.argsort(-y, axis=0, kind="stable")
    xs, ys = np.take_along_axis(x, order, axis=0), np.take_along_axis(y, order, axis=0)
    best = np.full(xs.shape, -np.inf)
    best[1:] = np.maximum.accumulate(xs, axis=0)[:-1]
    for i in range(len(x) - 1, 0, -1):  # of those with the same y each counts for the other
        tied = ys[i] == ys[i - 1]
        if tied.any():
            best[i - 1] = np.where(tied, np.maximum(best[i - 1], xs[i]), best[i - 1])
    limits = np.empty(xs.shape)
    np.put_along_axis(limits, order, best, axis=0)
    return np.asarray(np.quantile(limits, 0.5, axis=1, method="lower"), np.float64)


@dataclass(frozen=True, eq=False)
class Expectation:
    """What the other speakers lead to expect: expected, low, high (n,), the 95 % prediction interval; NaN where too few."""

    expected: FloatArray
    low: FloatArray
    high: FloatArray


def design(x: FloatArray, groups: NDArray[np.int64]) -> FloatArray:
    """(n, p): constant, x about its mean, and a column per group but the first."""
    codes = np.unique(groups)[1:]
    return np.column_stack([np.ones(len(x)), x - x.mean(), *((groups == c).astype(float) for c in codes)])


def expectation(x: FloatArray, y: FloatArray, groups: NDArray[np.int64], level: float = LEVEL) -> Expectation:
    """Least squares of y (n,) on x (n,) and group, each speaker left out of its own prediction, with Student's t interval.

    With h the leverage and e the residual, leaving a row out gives y − e/(1 − h), variance s²/(1 − h) and
    s² = (Σe² − e²/(1 − h))/(n − p − 1) (Belsley, Kuh & Welsch, Regression Diagnostics, 1980). NaN for the only one of a group.
    """
    from scipy.special import stdtrit

    n = len(x)
    nothing = np.full(n, np.nan)
    if n < 4 or np.ptp(x) == 0:
        return Expectation(nothing, nothing, nothing)
    matrix = design(x, groups)
    q, _ = np.linalg.qr(matrix)
    freedom = n - matrix.shape[1] - 1
    if freedom < 1:
        return Expectation(nothing, nothing, nothing)
    residual = y - q @ (q.T @ y)
    left = 1.0 - (q**2).sum(axis=1)
    left = np.where(left > 1e-9, left, np.nan)
    without = residual / left
    variance = np.maximum((residual @ residual) - residual * without, 0.0) / freedom / left
    half = stdtrit(freedom, (1.0 + level) / 2.0) * np.sqrt(variance)
    expected = y - without
    return Expectation(expected, expected - half, expected + half)


def quantile_line(x: FloatArray, y: FloatArray, tau: float, precision: float = 1e-12) -> tuple[float, float]:
    """(intercept, slope) of linear quantile regression: the least Σ ρ(y − a − b·x), ρ(u) = u·(τ − [u < 0]).

    Source: R. Koenker, G. Bassett, Econometrica 46(1), 1978. For a given slope the best intercept is the τ quantile of what is
    left, and the loss is convex in the slope: it is found by golden-section search, to `precision` of the range of y over a spread of x.
    """
    centre, spread = x.mean(), x.std()
    if spread == 0:
        raise ValueError("all x are equal: no line can be laid through them")
    z = (x - centre) / spread
    place = min(int(np.ceil(tau * len(y))), len(y)) - 1

    def at(slope: float) -> tuple[float, float]:
        left = y - slope * z
        intercept = float(np.partition(left, place)[place])
        left -= intercept
        return float(np.maximum(tau * left, (tau - 1.0) * left).sum()), intercept

    reach = 4.0 * float(np.ptp(y)) + 1e-12
    low, high, golden = -reach, reach, (np.sqrt(5.0) - 1.0) / 2.0
    inner, outer = high - golden * (high - low), low + golden * (high - low)
    loss_inner, loss_outer = at(inner)[0], at(outer)[0]
    while high - low > precision * reach:
        if loss_inner <= loss_outer:
            high, outer, loss_outer = outer, inner, loss_inner
            inner = high - golden * (high - low)
            loss_inner = at(inner)[0]
        else:
            low, inner, loss_inner = inner, outer, loss_outer
            outer = low + golden * (high - low)
            loss_outer = at(outer)[0]
    slope = (low + high) / 2.0
    return at(slope)[1] - slope * centre / spread, slope / spread


_BAND_PRECISION = 1e-5  # of a resampled line: far below how much resampled lines differ


def quantile_band(
    x: FloatArray, y: FloatArray, tau: float, clusters: Sequence[Any], at: FloatArray, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The quantile line at the given x (m,), and its 95 % band from resampling whole clusters (makers); None below 50 points."""
    if len(x) < LEAST_FOR_QUANTILE or np.ptp(x) == 0:
        return None
    a, b = quantile_line(x, y, tau)
    _, code = np.unique(np.asarray(clusters).astype(str), return_inverse=True)
    members = [np.flatnonzero(code == c) for c in range(int(code.max()) + 1)]
    lines = []
    for _ in range(BOOTSTRAPS):
        rows = np.concatenate([members[c] for c in random.integers(0, len(members), len(members))])
        if np.ptp(x[rows]) > 0:
            lines.append(quantile_line(x[rows], y[rows], tau, _BAND_PRECISION))
    fits = np.array([one[0] + one[1] * at for one in lines])
    low, high = np.percentile(fits, (2.5, 97.5), axis=0)
    return a + b * at, low, high
