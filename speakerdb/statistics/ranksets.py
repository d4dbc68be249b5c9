"""Rank sets: the ranks a speaker can have, from simultaneous confidence intervals of all pairwise differences.

Source: M. Mogstad, J. P. Romano, A. M. Shaikh, D. Wilhelm, "Inference for Ranks with Applications to Mobility across
Neighbourhoods and Academic Achievement across Countries", Review of Economic Studies 91(1), 2024, 476-518. Ranking the
draws themselves would be simpler, but covers too seldom where speakers are nearly tied.

Throughout, more is better: negate a metric of which less is better. p speakers, B draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEVEL = 0.95
MEMBERS_PER_LAB = 24  # speakers of a lab whose marginal critical value is worked out; the others' are interpolated
_CHUNK = 500_000  # differences at a time, so that what is at work stays in the processor's reach
_FEW = 400  # speakers of whom all pairs are kept at hand
_BLOCK = 32  # rows at a time: the band of one block stays in the processor's cache


@dataclass(frozen=True, eq=False)
class Noise:
    """What blurs the field: own variance v (p,), variance t (p,) of what all of a lab share, lab (p,) int codes.

    deviation (p, B) float32: draws minus their mean.
    """

    deviation: NDArray[np.float32]
    v: FloatArray
    t: FloatArray
    lab: IntArray

    def squared_scale(self, j: Any, k: Any) -> FloatArray:
        """d² of rows j against rows k, broadcast against each other: v_j + v_k, and t_j + t_k where their labs differ."""
        found: FloatArray = self._every_pair[j, k] if len(self.v) <= _FEW else self._squared_scale(j, k)
        return found

    def _squared_scale(self, j: Any, k: Any) -> FloatArray:
        total: FloatArray = self.v[j] + self.v[k]
        if self.labs > 1:
            total += np.where(self.lab[j] == self.lab[k], 0.0, self.t[j] + self.t[k])
        return total

    @cached_property
    def _every_pair(self) -> FloatArray:
        """(p, p): looking a pair up is quicker than working it out, where all of them fit into the cache."""
        rows = np.arange(len(self.v))
        return self._squared_scale(rows[:, None], rows[None, :])

    @cached_property
    def labs(self) -> int:
        return len(np.unique(self.lab))


@dataclass(frozen=True, eq=False)
class RankSets:
    """Per speaker (p,): rank, 1 the best, ties share the lower number; the ranks it can have, for all speakers together
    (low, high) and for each alone (marginal_low, marginal_high); group, the number of its tie group.

    critical: the bound on standardized differences that holds for all pairs together.
    """

    rank: IntArray
    low: IntArray
    high: IntArray
    marginal_low: IntArray
    marginal_high: IntArray
    group: IntArray
    critical: float


def noise_of(draws: NDArray[np.floating[Any]], lab: IntArray, step: float | FloatArray) -> Noise:
    """Split each speaker's variance into its own part and the part that it shares with its lab.

    draws (p, B), lab (p,) codes, step: the display step, below whose square no variance is taken. What a lab shares shows as the mean of
    its n speakers in each draw. With S_j the variance about that mean, Σv = ΣS/(1 − 1/n), v_j = (S_j − Σv/n²)/(1 − 2/n) and
    t = Var(mean) − Σv/n²; the speaker's variance is all its own where it stands alone. v_j is kept above half of S_j, since a
    variance taken too small by chance would blow up every difference it enters.
    """
    deviation = (draws - draws.mean(axis=1, keepdims=True, dtype=np.float64)).astype(np.float32)
    v, t = np.empty(len(draws)), np.zeros(len(draws))
    for code in np.unique(lab):
        rows = np.flatnonzero(lab == code)
        v[rows], t[rows] = _split(deviation[rows])
    return Noise(deviation, np.maximum(v, np.asarray(step) ** 2), t, lab)


def _split(deviation: NDArray[np.float32]) -> tuple[FloatArray, float]:
    """v (n,) and t of one lab's speakers."""
    n = len(deviation)
    if n == 1:
        return deviation.var(axis=1, ddof=1, dtype=np.float64), 0.0
    mean = deviation.mean(axis=0, dtype=np.float64)
    about = (deviation - mean.astype(np.float32)).var(axis=1, ddof=1, dtype=np.float64)
    total = about.sum() / (1.0 - 1.0 / n)
    v = np.full(2, total / 2.0) if n == 2 else (about - total / n**2) / (1.0 - 2.0 / n)
    return np.maximum(v, about / 2.0), max(float(mean.var(ddof=1) - total / n**2), 0.0)


def order_statistic(values: NDArray[np.floating[Any]], level: float = LEVEL) -> FloatArray:
    """The ⌈level·(B+1)⌉-th smallest of B values along the last axis: an exact bound for one more draw like them."""
    count = values.shape[-1]
    place = min(math.ceil(level * (count + 1)), count) - 1
    bound: FloatArray = np.partition(values, place, axis=-1)[..., place].astype(np.float64)
    return bound


def _records(noise: Noise) -> tuple[IntArray, IntArray]:
    """(B, R), (B, R): per draw the rows that can make the largest standardized difference: of each lab those above, and those
    below, every other with less variance of its own. A pair with a larger ratio would contradict the running extreme.
    Draws with fewer than R such rows repeat their first."""
    order = np.lexsort((noise.v, noise.lab))
    deviation, lab = noise.deviation[order], noise.lab[order]
    high, low = np.zeros(deviation.shape, bool), np.zeros(deviation.shape, bool)
    starts = np.flatnonzero(np.r_[True, lab[1:] != lab[:-1]])
    for first, last in zip(starts, [*starts[1:], len(lab)], strict=True):
        part = deviation[first:last]
        high[first], low[first] = True, True
        high[first + 1 : last] = part[1:] > np.maximum.accumulate(part, axis=0)[:-1]
        low[first + 1 : last] = part[1:] < np.minimum.accumulate(part, axis=0)[:-1]
    return _listed(high, order), _listed(low, order)


def _listed(there: NDArray[np.bool_], order: IntArray) -> IntArray:
    """(p, B) marks on rows in `order` as (B, R) rows."""
    draw, place = np.nonzero(np.ascontiguousarray(there.T))
    count = np.bincount(draw, minlength=there.shape[1])
    start = np.cumsum(count) - count
    rows = np.repeat(order[place[start]][:, None], count.max(), axis=1)
    rows[draw, np.arange(len(draw)) - start[draw]] = order[place]
    return rows


def critical_values(noise: Noise, members: IntArray, level: float = LEVEL) -> tuple[float, FloatArray]:
    """The bound for all pairs together, and for each of `members` (rows) the bound against all others."""
    every_high, every_low = _records(noise)
    draws = noise.deviation.shape[1]
    largest = np.zeros(draws)
    own = np.zeros((len(members), draws))
    alone = members[None, :, None]
    widest = max(every_high.shape[1], every_low.shape[1])
    step = max(1, _CHUNK // (widest * max(len(members), widest)))
    for first in range(0, draws, step):
        part = slice(first, first + step)
        high, low = every_high[part], every_low[part]
        x = np.ascontiguousarray(noise.deviation[:, part].T, np.float64)
        top, bottom, mine = np.take_along_axis(x, high, 1), np.take_along_axis(x, low, 1), x[:, members]

        def ratio(above: FloatArray, below: FloatArray, j: IntArray, k: IntArray) -> FloatArray:
            found: FloatArray = np.maximum(above - below, 0.0) ** 2 / noise.squared_scale(j, k)
            return found

        both = ratio(top[:, :, None], bottom[:, None, :], high[:, :, None], low[:, None, :])
        largest[part] = np.sqrt(both.max(axis=(1, 2)))
        up = ratio(top[:, None, :], mine[:, :, None], alone, high[:, None, :]).max(axis=2)
        down = ratio(mine[:, :, None], bottom[:, None, :], alone, low[:, None, :]).max(axis=2)
        own[:, part] = np.sqrt(np.maximum(up, down)).T
    return float(order_statistic(largest, level)), order_statistic(own, level)


def members_of(noise: Noise, per_lab: int = MEMBERS_PER_LAB) -> IntArray:
    """Rows of each lab, evenly spread over the order of v, its least and greatest included."""
    chosen = []
    for code in np.unique(noise.lab):
        rows = np.flatnonzero(noise.lab == code)
        rows = rows[np.argsort(noise.v[rows], kind="stable")]
        chosen.append(rows[np.unique(np.linspace(0, len(rows) - 1, min(per_lab, len(rows))).round().astype(int))])
    return np.concatenate(chosen) if chosen else np.zeros(0, np.int64)


def _spread(noise: Noise, members: IntArray, bound: FloatArray) -> FloatArray:
    """Bounds of all speakers from those of the members of their lab, interpolated in ln v."""
    found = np.empty(len(noise.v))
    for code in np.unique(noise.lab):
        rows, known = noise.lab == code, noise.lab[members] == code
        at = np.log(noise.v[members[known]])
        found[rows] = np.interp(np.log(noise.v[rows]), at, bound[known])
    found[members] = bound
    return found


def separated(noise: Noise, lower: FloatArray, upper: FloatArray, bound: FloatArray) -> tuple[IntArray, IntArray]:
    """(p,) how many are surely better, and surely worse, than each: L_k − U_j > bound_j·d_jk, L_j − U_k > bound_j·d_jk.

    Only the band of others that lie neither surely beyond nor surely within the bound is looked at pair by pair.
    """
    up = _count(noise, upper, lower, bound)
    down = _count(noise, -lower, -upper, bound)
    return up, down


def _count(noise: Noise, own: FloatArray, other: FloatArray, bound: FloatArray) -> IntArray:
    """#{k: other_k − own_j > bound_j·d_jk} for each j."""
    by_other, by_own = np.argsort(other, kind="stable"), np.argsort(own, kind="stable")
    ascending = other[by_other]
    widest, narrowest = noise.v.max(initial=0.0), noise.v.min(initial=0.0)
    calibration = noise.t.max(initial=0.0)
    count = np.zeros(len(own), np.int64)
    for first in range(0, len(own), _BLOCK):
        rows = by_own[first : first + _BLOCK]
        near = own[rows] + bound[rows] * np.sqrt(noise.v[rows] + narrowest)
        far = own[rows] + bound[rows] * np.sqrt(noise.v[rows] + noise.t[rows] + widest + calibration)
        start = int(np.searchsorted(ascending, near.min(), side="left"))
        end = int(np.searchsorted(ascending, far.max(), side="right"))
        band = by_other[start:end]
        gap = np.maximum(other[band][None, :] - own[rows][:, None], 0.0)
        beyond = gap**2 > bound[rows][:, None] ** 2 * noise.squared_scale(rows[:, None], band[None, :])
        count[rows] = beyond.sum(axis=1) + (len(own) - end)
    return count


def groups(noise: Noise, lower: FloatArray, upper: FloatArray, order: IntArray, critical: float) -> IntArray:
    """Tie groups 1, 2, … (p,): a leader and those that follow it in `order` up to the first that is surely worse."""
    group = np.zeros(len(order), np.int64)
    first, number = 0, 0
    while first < len(order):
        leader, rest = order[first], order[first:]
        gap = np.maximum(lower[leader] - upper[rest], 0.0)
        apart = gap**2 > critical**2 * noise.squared_scale(leader, rest)
        apart[0] = False
        length = int(np.argmax(apart)) if apart.any() else len(rest)
        number += 1
        group[rest[:length]] = number
        first += length
    return group


def rank_sets(
    draws: NDArray[np.floating[Any]],
    lower: FloatArray,
    upper: FloatArray,
    lab: IntArray,
    step: float | FloatArray,
    level: float = LEVEL,
) -> RankSets:
    """Rank sets of p speakers of which more is better.

    draws (p, B) all finite; lower, upper (p,): what is known of the value, equal where exact, infinite on an open side (the
    finite end stands for the value in the point rank); lab (p,) int codes 0, 1, … of what speakers share errors with; step: the
    display step, a number or (p,). d²_jk = v_j + v_k + [labs differ](t_j + t_k); k is better than j where L_k − U_j > c·d_jk.

    >>> flat = np.random.default_rng(1).normal(size=(3, 400))
    >>> at = np.array([0.0, 1.0, 20.0])
    >>> sets = rank_sets(at[:, None] + flat, at, at, np.zeros(3, int), 0.1)
    >>> sets.rank.tolist(), sets.low.tolist(), sets.high.tolist(), sets.group.tolist()
    ([3, 2, 1], [2, 2, 1], [3, 3, 1], [2, 2, 1])
    """
    count = len(lower)
    if count == 0:
        none = np.zeros(0, np.int64)
        return RankSets(none, none, none, none, none, none, 0.0)
    noise = noise_of(draws, lab, step)
    point = np.where(np.isfinite(lower), lower, upper)
    order = np.argsort(-point, kind="stable")
    rank = 1 + count - np.searchsorted(np.sort(point), point, side="right")
    members = members_of(noise)
    critical, own = critical_values(noise, members, level)

    def around(bound: FloatArray) -> tuple[IntArray, IntArray]:
        better, worse = separated(noise, lower, upper, bound)
        return np.minimum(1 + better, rank), np.maximum(count - worse, rank)

    low, high = around(np.full(count, critical))
    marginal_low, marginal_high = around(_spread(noise, members, own))
    return RankSets(
        rank, low, high, marginal_low, marginal_high, groups(noise, lower, upper, order, critical), critical
    )


@dataclass(frozen=True)
class RankSet:
    """One speaker's fields of RankSets."""

    rank: int
    low: int
    high: int
    marginal_low: int
    marginal_high: int


def rank_set_of(
    row: int,
    draws: NDArray[np.floating[Any]],
    lower: FloatArray,
    upper: FloatArray,
    lab: IntArray,
    step: float | FloatArray,
    level: float = LEVEL,
) -> RankSet:
    """The rank set of one speaker among p, its own marginal bound worked out instead of interpolated. Parameters as of `rank_sets`.

    >>> flat = np.random.default_rng(1).normal(size=(3, 400))
    >>> at = np.array([0.0, 1.0, 20.0])
    >>> rank_set_of(1, at[:, None] + flat, at, at, np.zeros(3, int), 0.1)
    RankSet(rank=2, low=2, high=3, marginal_low=2, marginal_high=3)
    """
    noise = noise_of(draws, lab, step)
    point = np.where(np.isfinite(lower), lower, upper)
    rank = 1 + int((point > point[row]).sum())
    critical, own = critical_values(noise, np.array([row]), level)
    scale = np.sqrt(noise.squared_scale(row, np.arange(len(point))))

    def around(bound: float) -> tuple[int, int]:
        better, worse = lower - upper[row] > bound * scale, lower[row] - upper > bound * scale
        better[row] = worse[row] = False
        return min(1 + int(better.sum()), rank), max(len(point) - int(worse.sum()), rank)

    return RankSet(rank, *around(critical), *around(float(own[0])))


def overstatement(draws: NDArray[np.floating[Any]], places: int) -> FloatArray:
    """By how much those who come first are overstated on average, (places,): the mean error of whoever comes out on that
    place when the errors are drawn once more. The first is chosen partly for its luck; with many near ties, much of its lead is.
    """
    deviation = draws - draws.mean(axis=1, keepdims=True)
    places = min(places, len(draws))
    if places == 0:
        return np.zeros(0)
    top = np.argpartition(-draws, min(places, len(draws) - 1), axis=0)[:places] if places < len(draws) else None
    chosen = draws if top is None else np.take_along_axis(draws, top, axis=0)
    errors = deviation if top is None else np.take_along_axis(deviation, top, axis=0)
    order = np.argsort(-chosen, axis=0)
    mean: FloatArray = np.take_along_axis(errors, order, axis=0).mean(axis=1, dtype=np.float64)
    return mean
