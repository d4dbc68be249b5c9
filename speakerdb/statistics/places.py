"""Places: which speakers are better than which as far as the errors let one say, and so the places that each can have
(method:statistics#places).

k is better than j where x_k − x_j > c·d, d the standard error of that difference; a speaker's places then run from 1 +
the number that are better to p − the number that are worse. A pair by itself is judged, not the whole list at once:
over a list 95 of 100 such ranges hold the true place. What holds for all speakers together is the same rule with a
larger c (`jointsets`); whether those who come first owe it to luck, `luck` tells.

Throughout, more is better (negate a metric of which less is better), and all is on the metric's scale. p speakers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from speakerdb.statistics.benches import Benches, one_bench
from speakerdb.statistics.counting import Rule, Side, count_pairs
from speakerdb.statistics.error_model import DRAWS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Z = NormalDist().inv_cdf(0.975)
# Student's t for Z where a standard error comes from so many draws, to first order (Abramowitz & Stegun 26.7.5)
CRITICAL = Z * (1.0 + (Z**2 + 1.0) / (4.0 * DRAWS))


@dataclass(frozen=True, eq=False)
class Scores:
    """What is known of p speakers in one metric, each field (p,), more is better.

    x: the value, a bound at its finite end; v: variance of its own errors; lower, upper: what is known of it, equal to
    x where exact, infinite on an open side. other_x, other_v, other_share: the second branch of a value that is one of
    two, which holds with that share of probability; NaN where it is one. benches: what benches add to a difference.
    step: the display step, of which half a rounding error is allowed for on each side.
    """

    x: FloatArray
    v: FloatArray
    lower: FloatArray
    upper: FloatArray
    other_x: FloatArray
    other_v: FloatArray
    other_share: FloatArray
    benches: Benches
    step: FloatArray

    def __len__(self) -> int:
        return len(self.x)

    def take(self, rows: IntArray) -> Scores:
        """The scores of some rows, in that order."""
        names = ("x", "v", "lower", "upper", "other_x", "other_v", "other_share", "step")
        return replace(self, benches=self.benches.take(rows), **{name: getattr(self, name)[rows] for name in names})

    def turned(self) -> Scores:
        """The same with less for more: who was worst is best."""
        return replace(self, x=-self.x, lower=-self.upper, upper=-self.lower, other_x=-self.other_x)

    @cached_property
    def rounding(self) -> FloatArray:
        """(p,) variance that showing the value in steps adds."""
        return np.asarray(self.step**2 / 12.0)

    @cached_property
    def branched(self) -> BoolArray:
        """(p,) where a value is one of two."""
        return np.isfinite(self.other_share)

    @cached_property
    def main(self) -> Side:
        """The branch that x lies in."""
        return Side(
            self.lower, self.upper, self.v + self.rounding, np.where(self.branched, 1.0 - self.other_share, 1.0)
        )

    @cached_property
    def other(self) -> Side:
        """The other branch, of no share where there is none."""
        x, v, share = (
            np.where(self.branched, a, b)
            for a, b in ((self.other_x, self.x), (self.other_v, self.v), (self.other_share, 0.0))
        )
        return Side(x, x, v + self.rounding, share)


def exact(x: ArrayLike, v: ArrayLike, step: ArrayLike = 0.0, benches: Benches | None = None) -> Scores:
    """Scores of values that are neither bounds nor one of two; all from one bench where no others are given."""
    x = np.asarray(x, np.float64)
    v, step = (np.broadcast_to(np.asarray(a, np.float64), x.shape) for a in (v, step))
    none = np.full(x.shape, np.nan)
    return Scores(x, v, x, x, none, none, none, one_bench(len(x)) if benches is None else benches, step)


def scale(scores: Scores, j: Any, k: Any) -> FloatArray:
    """d: standard error of x_k − x_j for rows j, k (index arrays, broadcast), of the branches that x lies in.

    d² = v_j + v_k, what their benches add, and the rounding errors of both: (step_j² + step_k²)/12.

    >>> scale(exact([1.0, 2.0], [0.09, 0.16]), 0, 1).round(6).tolist()
    0.5
    """
    own = scores.main.v
    return np.asarray(np.sqrt(own[j] + own[k] + scores.benches.variance(j, k)))


@dataclass(frozen=True, eq=False)
class Better:
    """Of pairs (j, k): probability that k is better than j, by what is known at least; surely: whether that is taken as
    certain."""

    probability: FloatArray
    surely: BoolArray


def better(scores: Scores, j: Any, k: Any, critical: float = CRITICAL) -> Better:
    """Whether rows k are better than rows j (index arrays, broadcast).

    Surely where x_k − x_j > critical·d, which for the c of one pair is Φ(1.96·(x_k − x_j)/(c·d)) > 0.975; a value that
    is one of two enters as a mixture of two normals, and the mean of Φ over the branches counts. A bound stands at the
    end that speaks against k: of k the lower, of j the upper. So the probability of (k, j) is 1 − that of (j, k) for
    exact values, and less for bounds.

    >>> found = better(exact([1.0, 2.0, 2.5], [0.09, 0.16, 0.16]), 0, [1, 2])
    >>> found.probability.round(3).tolist(), found.surely.tolist()
    ([0.977, 0.999], [True, True])
    """
    j, k = np.broadcast_arrays(np.asarray(j, np.int64), np.asarray(k, np.int64))
    flat_j, flat_k = j.ravel(), k.ravel()
    probability = 1.0 - _tail(scores, flat_j, flat_k)
    return Better(probability.reshape(j.shape), _surely(scores, flat_j, flat_k, critical).reshape(j.shape))


def _surely(scores: Scores, j: IntArray, k: IntArray, critical: float) -> BoolArray:
    """(m,) whether row k is surely better than row j."""
    found = np.asarray(scores.lower[k] - scores.upper[j] > critical * scale(scores, j, k))
    two = np.flatnonzero(scores.branched[j] | scores.branched[k])
    found[two] = _tail(scores, j[two], k[two]) < least_tail(critical)
    return found


def least_tail(critical: float) -> float:
    """The probability of k not being better than j below which it is taken as better: 0.025 for the c of one pair."""
    return NormalDist().cdf(-Z * critical / CRITICAL)


def _tail(scores: Scores, j: IntArray, k: IntArray) -> FloatArray:
    """(m,) probability that row k is not better than row j: the mean over their branches of Φ(−1.96·gap/(c·d))."""
    found = np.zeros(len(j))
    bench = scores.benches.variance(j, k)
    for own in (scores.main, scores.other):
        for rival in (scores.main, scores.other):
            share = own.share[j] * rival.share[k]
            rows = np.flatnonzero(share)
            if len(rows):
                a, b = j[rows], k[rows]
                d = np.sqrt(own.v[a] + rival.v[b] + bench[rows])
                found[rows] += share[rows] * phi(_in_units(own.upper[a] - rival.lower[b], d * (CRITICAL / Z)))
    return found


def _in_units(gap: FloatArray, d: FloatArray) -> FloatArray:
    """gap/d; where there is no error at all, ±∞ for a gap and 0 for none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((gap == 0.0) & (d == 0.0), 0.0, gap / d)


def phi(z: FloatArray) -> FloatArray:
    """Φ(z) (m,), the normal law. From the standard library, since loading scipy takes longer than a million of them.

    >>> phi(np.array([-1.959964, 0.0, np.inf])).round(6).tolist()
    [0.025, 0.5, 1.0]
    """
    return 0.5 * np.fromiter(map(math.erfc, (z * -math.sqrt(0.5)).tolist()), np.float64, len(z))


@dataclass(frozen=True, eq=False)
class Places:
    """Per speaker (p,): rank, 1 the best, by the plain value (equal ones share the lower number); low … high: the
    places it can have."""

    rank: IntArray
    low: IntArray
    high: IntArray


@dataclass(frozen=True)
class Place:
    """One speaker's fields of Places."""

    rank: int
    low: int
    high: int


def places(scores: Scores, critical: float = CRITICAL) -> Places:
    """The places of p speakers.

    low = 1 + how many are better, high = p − how many are worse, by the rule of `better`; an upper bound at low = 1 or
    a lower bound at high = p may stand there for want of knowledge alone.

    >>> found = places(exact([1.0, 1.2, 9.0], 0.04))
    >>> found.rank.tolist(), found.low.tolist(), found.high.tolist()
    ([3, 2, 1], [2, 2, 1], [3, 3, 1])
    """
    count = len(scores)
    rank = 1 + count - np.searchsorted(np.sort(scores.x), scores.x, side="right").astype(np.int64)
    rule = Rule(lambda j, k: _surely(scores, j, k, critical), critical, least_tail(critical), CRITICAL / Z)
    better_than, worse_than = count_pairs(scores.main, scores.other, scores.benches, rule)
    return Places(rank, np.minimum(1 + better_than, rank), np.maximum(count - worse_than, rank))


def place_of(scores: Scores, row: int, critical: float = CRITICAL) -> Place:
    """The place of one speaker among p: its row of `places`.

    >>> place_of(exact([1.0, 1.2, 9.0], 0.04), 0)
    Place(rank=3, low=2, high=3)
    """
    every = np.arange(len(scores))
    itself = np.full(len(scores), row)
    rank = 1 + int((scores.x > scores.x[row]).sum())
    ahead = int(_surely(scores, itself, every, critical).sum())
    behind = int(_surely(scores, every, itself, critical).sum())
    return Place(rank, min(1 + ahead, rank), max(len(scores) - behind, rank))
