"""Who stands on the frontier of two properties, and from which x on another beats it.

More of either is better: negate where less is. n speakers. A speaker is on the frontier if no other is at least as good
in both and better in one. A value is normal about its mean, or one of two normals (branches); errors are independent
between speakers and between the two properties, but for those that values share (a bench). Given what they share, the
probability is that of y and, where x is measured too, of x, over which the product of the rivals' chances of not being
at least as good in both is integrated:

    p_j = mean over shared errors of ∫∫ f_j(a) g_j(b) Π_k (1 − P(x_k ≥ a)·P(y_k ≥ b)) da db

A fact as x has no error: the product is then over the rivals with x_k ≥ x_j of P(y_k < b). The product is worked out
once for all speakers, on a grid, in logarithms; each takes its own factor off and averages over even points of its own
error.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.fields import generator

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
DRAWS_OF_ONE, MOST_DRAWS, LEAST_DRAWS = 50, 256, 64  # of one error that values share, of several
POINTS = (400, 610)  # of a speaker's own errors: where one property is measured, where both are
GRID, GRID_OF_TWO, GRID_OF_TWO_SHARED, LEAST_GRID = 801, 201, 101, 41  # points at most, for either of two; at least
FINE = 2.5  # points to a standard error that not one in ten falls below
EVEN = 0.499  # below that a speaker is more likely beaten than not: an even chance is told by no error of the sums
_WORK = 40_000_000  # factors of a ladder before its grid gets coarser, or its draws fewer
_PRODUCTS = 30_000  # sheets multiplied before draws get fewer
_SURE = 5.0  # standard deviations of a difference beyond which a speaker is surely beaten
_BEATERS = 256  # speakers that are tried for that
_REACH = 4.5  # standard deviations about its values that a grid spans
_NOTHING = 1e-9  # a smaller probability is told as none
_NEVER = 1e-30  # stands for a chance of nothing, so that a factor can be taken off a product again
_LEAST_SE = 1e-6  # of the spread of all, where values without error stand among values with
_LITTLE = 0.2  # of its own standard error that a shared error moves a value by, to be taken as its own
_BLOCK = 1000  # speakers at a time
_TOGETHER = 8  # factors multiplied before a logarithm is taken


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of a property of n speakers, more being better.

    value, se (n,): se 0 throughout for a fact. other_value, other_se, other_share (n,): the second of two branches, NaN
    where one. shared (n, M): how far each of M independent errors of unit variance moves each value. open_below,
    open_above (n,): bounds.
    """

    value: FloatArray
    se: FloatArray
    other_value: FloatArray
    other_se: FloatArray
    other_share: FloatArray
    shared: FloatArray
    open_below: BoolArray
    open_above: BoolArray

    @property
    def exact(self) -> bool:
        return not (self.se > 0).any()

    @property
    def censored(self) -> BoolArray:
        return self.open_below | self.open_above

    def least(self) -> Known:
        return replace(self, value=np.where(self.open_below, -np.inf, self.value))

    def most(self) -> Known:
        return replace(self, value=np.where(self.open_above, np.inf, self.value))

    @cached_property
    def two(self) -> BoolArray:
        """(n,) whether a value is one of two; a bound at its far end is one."""
        return np.isfinite(self.other_share) & np.isfinite(self.value)

    @cached_property
    def reach(self) -> FloatArray:
        """(n,) standard deviation of what is shared."""
        return np.asarray(np.sqrt((self.shared**2).sum(axis=1)))

    def branches(self) -> tuple[FloatArray, FloatArray]:
        """(n,) the lower and the higher of the branches' means."""
        return (
            np.where(self.two, np.fmin(self.value, self.other_value), self.value),
            np.where(self.two, np.fmax(self.value, self.other_value), self.value),
        )

    @cached_property
    def widest(self) -> FloatArray:
        """(n,) the larger of the branches' standard errors."""
        return np.asarray(np.where(self.two, np.fmax(self.se, self.other_se), self.se))

    def ends(self) -> tuple[FloatArray, FloatArray]:
        """(n,) within which values may be."""
        reach = _REACH * self.reach
        low, high = self.value - _REACH * self.se - reach, self.value + _REACH * self.se + reach
        other = self.other_value, _REACH * self.other_se + reach
        low = np.where(self.two, np.fmin(low, other[0] - other[1]), low)
        return low, np.where(self.two, np.fmax(high, other[0] + other[1]), high)

    def below(self, rows: IntArray, limit: FloatArray) -> FloatArray:
        """P(value < limit) of rows (m,), limit (m, …) less what is shared."""
        from scipy.special import ndtr

        shape = (len(rows),) + (1,) * (limit.ndim - 1)
        found = np.asarray(ndtr((limit - self.value[rows].reshape(shape)) / self.se[rows].reshape(shape)))
        two = np.flatnonzero(self.two[rows])
        if len(two):
            of, shape = rows[two], (len(two), *shape[1:])
            value, se, share = (a[of].reshape(shape) for a in (self.other_value, self.other_se, self.other_share))
            found[two] = (1.0 - share) * found[two] + share * ndtr((limit[two] - value) / se)
        return found

    def at(self, rows: IntArray, quantile: FloatArray) -> FloatArray:
        """(m, K) the values of rows at quantiles (K,), without what is shared: those of the first branch, then of the
        other."""
        from scipy.special import ndtri

        found = self.value[rows][:, None] + self.se[rows][:, None] * ndtri(quantile)
        two = np.flatnonzero(self.two[rows])
        if len(two):
            of = rows[two]
            share = self.other_share[of][:, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                first = self.value[of][:, None] + self.se[of][:, None] * ndtri(quantile / (1.0 - share))
                other = self.other_value[of][:, None] + self.other_se[of][:, None] * ndtri(
                    (quantile - (1.0 - share)) / share
                )
            found[two] = np.where(quantile < 1.0 - share, first, other)
        return np.asarray(found)


def fact(value: FloatArray) -> Known:
    """A property without error."""
    n, none = len(value), np.full(len(value), np.nan)
    return Known(value, np.zeros(n), none, none, none, np.zeros((n, 0)), np.zeros(n, bool), np.zeros(n, bool))


@dataclass(frozen=True, eq=False)
class Frontier:
    """p (n,): probability of standing on the frontier, bounds taken at their ends. low, high (n,): the same with every
    bound at its worst and at its best for the speaker. beaten_from (n,): going through the rivals' x from good to bad,
    the first at which the speaker is more likely beaten than not, all else equal; −inf where at none; beaten_by (n,):
    that rival's row, −1 where none. beaten_low, beaten_high (n,): the same at the worst and the best. NaN and −1 where
    x is measured."""

    p: FloatArray
    low: FloatArray
    high: FloatArray
    beaten_from: FloatArray
    beaten_by: IntArray
    beaten_low: FloatArray
    beaten_high: FloatArray


def frontier(x: Known, y: Known) -> Frontier:
    """The frontier of n speakers by two properties.

    >>> from scipy.special import ndtr
    >>> none = np.full(2, np.nan)
    >>> y = replace(fact(np.array([1.0, 1.5])), se=np.array([0.3, 0.4]))
    >>> found = frontier(fact(np.array([-300.0, -400.0])), y)
    >>> bool(abs(found.p[1] - ndtr(0.5 / 0.5)) < 0.001), found.beaten_from.tolist(), found.beaten_by.tolist()
    (True, [-400.0, -inf], [1, -1])
    """
    if not len(x.value):
        none = np.zeros(0)
        return Frontier(none, none, none, none, np.zeros(0, np.int64), none, none)
    x, y = _prepared(x), _prepared(y)
    p, beaten, by = _one(x, y, x, y)
    p = np.where(p < _NOTHING, 0.0, p)
    if not (x.censored | y.censored).any():
        return Frontier(p, p, p, beaten, by, beaten, beaten)
    low, beaten_low, _ = _one(x.least(), y.least(), x.most(), y.most())
    high, beaten_high, _ = _one(x.most(), y.most(), x.least(), y.least())
    return Frontier(
        p, np.where(low < _NOTHING, 0.0, np.minimum(low, p)), np.maximum(high, p), beaten, by, beaten_low, beaten_high
    )


_Found = tuple[FloatArray, FloatArray, IntArray]


def _prepared(one: Known) -> Known:
    """With an error everywhere where there is one anywhere, and what is shared in as few errors as will do: those that
    move each value by little of its own error are taken as each value's own."""
    if one.exact:
        return one
    least = _LEAST_SE * max(float(np.ptp(one.value)), float(one.se.max()))
    se, other_se, shared = np.maximum(one.se, least), np.maximum(one.other_se, least), one.shared
    if shared.size:
        shared = shared @ np.linalg.svd(shared, full_matrices=False)[2].T
        little = (np.abs(shared) <= _LITTLE * np.fmin(se, other_se)[:, None]).all(axis=0)
        added = np.sqrt((shared[:, little] ** 2).sum(axis=1))
        se, other_se, shared = np.hypot(se, added), np.hypot(other_se, added), shared[:, ~little]
    return replace(one, se=se, other_se=other_se, shared=shared)


def _one(own_x: Known, own_y: Known, rival_x: Known, rival_y: Known) -> _Found:
    """The probability, what it is beaten from and by, of speakers at their own ends among rivals at theirs."""
    n = len(own_x.value)
    unnamed = np.full(n, np.nan), np.full(n, -1)
    if own_x.exact and own_y.exact:
        return _of_facts(own_x.value, own_y.value)
    if own_x.exact:
        return _Ladder.of(own_x, own_y, rival_y).found(own_y)
    if own_y.exact:
        return _Ladder.of(own_y, own_x, rival_x).chances(own_x), *unnamed
    return _Sheet.of(own_x, own_y, rival_x, rival_y).chances(own_x, own_y), *unnamed


def _of_facts(x: FloatArray, y: FloatArray) -> _Found:
    """Of two facts all is certain; beaten from the best x of the others that are at least as good in y."""
    n = len(x)
    order = np.lexsort((-x, -y))
    xs, ys = x[order], y[order]
    limit, by = np.full(n, -np.inf), np.full(n, -1)
    start = np.flatnonzero(np.concatenate([[True], ys[1:] != ys[:-1]]))
    best, whose = -np.inf, -1
    for first, stop in zip(start, [*start[1:], n], strict=True):
        if xs[first] > best:  # the best of those with this y is beaten by the next of them, the rest by it
            second = first + 1 if first + 1 < stop and xs[first + 1] > best else None
            limit[first], by[first] = (best, whose) if second is None else (xs[second], order[second])
            best, whose = xs[first], order[first]
            limit[first + 1 : stop], by[first + 1 : stop] = best, whose
        else:
            limit[first:stop], by[first:stop] = best, whose
    found = np.empty(n), np.empty(n), np.empty(n, np.int64)
    equal = np.zeros(n, bool)  # to the one that it is beaten from, in both
    named = by >= 0
    equal[named] = (x[by[named]] == xs[named]) & (y[by[named]] == ys[named])
    for array, part in zip(found, ((xs > limit) | equal, limit, by), strict=True):
        array[order] = part
    return found


def _even(count: int, dimensions: int) -> FloatArray:
    """(count, dimensions) points spread evenly over the unit cube: the first coordinate in equal steps, the others
    multiples of powers of 1/g modulo 1, g^d = g + 1 for d dimensions (the golden ratio's rule for two; from memory)."""
    step = np.arange(count) + 0.5
    if dimensions < 2:
        return (step / count)[:, None][:, :dimensions]
    g = 2.0
    for _ in range(60):
        g = (1.0 + g) ** (1.0 / dimensions)
    powers = g ** -np.arange(1.0, dimensions)
    return np.column_stack([step / count, *((step * p) % 1.0 for p in powers)])


def _spread(count: int, dimensions: int) -> FloatArray:
    """(count, dimensions) Sobol' points, scrambled: even in many dimensions, where those of `_even` are not."""
    from scipy.stats import qmc

    seed = int(generator("frontier", f"{count}|{dimensions}", 1).integers(2**32))
    found = qmc.Sobol(dimensions, rng=seed).random(count)
    return np.clip(found, 1e-6, 1.0 - 1e-6)


@dataclass(frozen=True, eq=False)
class _Points:
    """What errors are averaged over. shared (D, errors): draws of what values share; own (dimensions, K): quantiles of
    a speaker's own errors, D times as many of them as go with one draw; draw (K,): which."""

    shared: FloatArray
    own: FloatArray
    draw: IntArray

    @classmethod
    def over(cls, errors: int, dimensions: int, most: int) -> _Points:
        """Each draw has the same even points of the own errors, turned by an amount that goes with the draw; not many
        more than `most` draws."""
        from scipy.special import ndtri

        if errors > 1:
            draws = 1 << int(np.log2(np.clip(most, LEAST_DRAWS, MOST_DRAWS)))
            even = _spread(draws, errors + dimensions)
        else:
            draws = DRAWS_OF_ONE if errors else 1
            even = _even(draws, errors + dimensions)
        count = -(-POINTS[dimensions - 1] // draws)
        turned = _even(count, dimensions)[None] + (even[:, None, errors:] if errors else 0.0)
        own = (turned % 1.0).reshape(draws * count, dimensions).T
        return cls(
            np.asarray(ndtri(even[:, :errors])), np.clip(own, 1e-9, 1.0 - 1e-9), np.repeat(np.arange(draws), count)
        )


def _grid(known: Known, rows: IntArray, count: int) -> FloatArray:
    """(≤ count,) ascending: half of it even over where the values of rows may be, half where they crowd; fewer where
    errors are wide."""
    from scipy.special import ndtri

    low, high = (end[rows] for end in known.ends())
    finite = np.isfinite(known.value[rows])
    if not finite.any():
        return np.array([0.0, 1.0])
    span = low[np.isfinite(low)].min(), high[np.isfinite(high)].max()
    wanted = FINE * (span[1] - span[0]) / np.quantile(known.se[rows], 0.1)
    count = int(np.clip(wanted, min(LEAST_GRID, count), count))
    spread = np.hypot(known.se, known.reach)[rows][finite]
    crowd = np.sort((known.value[rows][finite] + spread * ndtri(_even(15, 1))).ravel())
    picked = crowd[np.linspace(0, len(crowd) - 1, count - count // 2).round().astype(int)]
    return np.unique(np.concatenate([np.linspace(*span, count // 2), picked]))


def _between(grid: FloatArray, value: FloatArray) -> tuple[IntArray, FloatArray]:
    """The grid point below each value, and how far it is on the way to the next; held to the grid's ends."""
    index = np.clip(np.searchsorted(grid, value, side="right") - 1, 0, len(grid) - 2)
    share = (value - grid[index]) / (grid[index + 1] - grid[index])
    return index, np.clip(share, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class _Beaters:
    """Rivals that surely beat many: those whose lower ends none of the others exceeds in both. A speaker that one of
    them surely beats can neither stand on the frontier nor keep another off it that the same one leaves on. Bounds,
    worth one thing to themselves and another to others, are none of them."""

    x: Known
    y: Known
    rows: IntArray

    @classmethod
    def of(cls, own_x: Known, own_y: Known, x: Known, y: Known) -> _Beaters:
        rows = np.flatnonzero((own_x.value == x.value) & (own_y.value == y.value))
        low_x, low_y = (one.branches()[0][rows] - 2.5 * one.widest[rows] for one in (x, y))
        order = np.lexsort((-low_y, -low_x))
        high = low_y[order]
        rows = rows[order][high > np.concatenate([[-np.inf], np.maximum.accumulate(high)[:-1]])]
        return cls(
            x, y, rows[np.unique(np.linspace(0, max(len(rows) - 1, 0), _BEATERS).astype(int))] if len(rows) else rows
        )

    def beat(self, x: Known, y: Known) -> BoolArray:
        """(n,) whether one of them surely beats each."""
        found = np.zeros(len(x.value), bool)
        for row in self.rows:
            found |= self._surely_above(self.x, x, row) & self._surely_above(self.y, y, row)
        return found

    def _surely_above(self, rival: Known, one: Known, row: int) -> BoolArray:
        if one.exact:
            return np.asarray(rival.value[row] >= one.value)
        apart = ((rival.shared[row] - one.shared) ** 2).sum(axis=1)
        sd = np.sqrt(rival.widest[row] ** 2 + one.widest**2 + apart)
        return np.asarray(rival.branches()[0][row] - one.branches()[1] >= _SURE * sd)


@dataclass(frozen=True, eq=False)
class _Ladder:
    """Rivals by x, a fact. kept: those that matter; step (I,): their x, each once, falling; log_product (D, I, grid):
    logarithm of the product of P(y_k < grid) over all kept with x_k ≥ step, less what is shared in draw D.

    own_step (n,): the last step with x ≥ a speaker's own, −1 where none. kept_step (n,): the same for kept ones, −1 for
    others.
    """

    rival: Known
    points: _Points
    grid: FloatArray
    step: FloatArray
    log_product: NDArray[np.float32]
    own_step: IntArray
    kept_step: IntArray
    kept: IntArray
    hopeful: BoolArray

    @classmethod
    def of(cls, price: Known, own: Known, rival: Known) -> _Ladder:
        x = price.value
        beaters = _Beaters.of(price, own, price, rival)
        order = np.argsort(-x, kind="stable")
        kept = order[~beaters.beat(price, rival)[order]]
        step, first, count = np.unique(-x[kept], return_index=True, return_counts=True)
        errors = rival.shared.shape[1]
        points = _Points.over(errors, 1, _WORK // (2 * LEAST_GRID * max(len(kept), 1)))
        draws = points.shared
        room = _WORK // max(len(draws) * len(kept), 1)
        grid = _grid(rival, kept, int(np.clip(room, LEAST_GRID, GRID)))
        bundles = -(-count // _TOGETHER)  # of each step: so many factors that their product can't come to nothing
        starts = np.concatenate([np.arange(f, f + n, _TOGETHER) for f, n in zip(first, count, strict=True)])
        begins = np.cumsum(bundles) - bundles
        table = np.empty((len(draws), len(step), len(grid)), np.float32)
        for d, u in enumerate(draws):
            moved = rival.shared[kept] @ u
            factor = np.maximum(rival.below(kept, grid[None, :] - moved[:, None]), _NEVER)
            logs = np.log(np.multiply.reduceat(factor, starts, axis=0))
            table[d] = np.cumsum(np.add.reduceat(logs, begins, axis=0), axis=0)
        own_step = np.searchsorted(step, -x, side="right") - 1
        kept_step = np.full(len(x), -1)
        kept_step[kept] = own_step[kept]
        return cls(rival, points, grid, -step, table, own_step, kept_step, kept, ~beaters.beat(price, own))

    def found(self, own: Known) -> _Found:
        """The probability at a speaker's own x; what it is beaten from and by."""
        p, at = np.zeros(len(own.value)), np.full(len(own.value), len(self.step))
        for near in self._near(own):
            p[near.rows] = near.at_own_step()
            at[near.rows] = near.first_below_even(self._surely_below_even(own, near.rows))
        limit = np.append(self.step, -np.inf)[at]
        return p, limit, self._names(at, own)

    def chances(self, own: Known) -> FloatArray:
        """The probability at a speaker's own x alone."""
        p = np.zeros(len(own.value))
        for near in self._near(own):
            p[near.rows] = near.at_own_step()
        return p

    def _near(self, own: Known) -> Iterator[_Near]:
        for start in range(0, len(own.value), _BLOCK):
            yield _Near.of(self, own, np.arange(start, min(start + _BLOCK, len(own.value))))

    def _surely_below_even(self, own: Known, rows: IntArray) -> IntArray:
        """(m,) the first step with a rival that alone is likelier better than not, by a margin; the number of steps
        where none is."""
        best = np.full(len(self.step), -np.inf)
        np.maximum.at(best, self.kept_step[self.kept], self.rival.branches()[0][self.kept])
        margin = (
            0.02 * np.hypot(self.rival.widest[self.kept].max(), 2.0 * self.rival.reach[self.kept].max())
            + 0.02 * own.widest[rows]
        )
        return np.asarray(np.searchsorted(np.maximum.accumulate(best), own.branches()[1][rows] + margin, side="right"))

    def _names(self, at: IntArray, own: Known) -> IntArray:
        """(n,) the best of the kept at a step, but for the speaker itself; −1 beyond the last step."""
        value = self.rival.value[self.kept]
        order = np.lexsort((-value, self.kept_step[self.kept]))
        ranked = self.kept[order]
        first = np.searchsorted(self.kept_step[ranked], np.arange(len(self.step)))
        ranked, first = np.append(ranked, [-1, -1]), np.append(first, len(ranked))
        best, next_best = ranked[first[at]], ranked[first[at] + 1]
        return np.asarray(np.where(best == np.arange(len(own.value)), next_best, best))


@dataclass(frozen=True, eq=False)
class _Near:
    """The points of speakers rows (m,) on a ladder: grid index and way to the next (m, K), logarithm of their own
    factor there (2, m, K), 0 where a speaker is not among the kept."""

    ladder: _Ladder
    rows: IntArray
    index: IntArray
    share: FloatArray
    own: FloatArray

    @classmethod
    def of(cls, ladder: _Ladder, known: Known, rows: IntArray) -> _Near:
        points = ladder.points
        moved = (known.shared[rows] @ points.shared.T)[:, points.draw]
        index, share = _between(ladder.grid, known.at(rows, points.own[0]) + moved)
        own = np.zeros((2, *index.shape), np.float32)
        kept = np.flatnonzero(ladder.kept_step[rows] >= 0)
        for corner in (0, 1):
            factor = ladder.rival.below(rows[kept], ladder.grid[index[kept] + corner] - moved[kept])
            own[corner, kept] = np.log(np.maximum(factor, _NEVER))
        return cls(ladder, rows, index, np.asarray(share, np.float32), own)

    def at_own_step(self) -> FloatArray:
        """(m,) the chance that a speaker is beaten by none of the rivals with its own x or better; 0 where it surely
        is."""
        found, some = np.zeros(len(self.rows)), np.flatnonzero(self.ladder.hopeful[self.rows])
        found[some] = self.chances(some, self.ladder.own_step[self.rows[some]])
        return found

    def chances(self, some: IntArray, step: IntArray) -> FloatArray:
        """(len(some),) the chance that speakers at places `some` of rows are beaten by none of the rivals up to a
        step."""
        ladder = self.ladder
        own_step = ladder.kept_step[self.rows[some]]
        inside = np.flatnonzero(step >= 0)
        found = np.ones(len(some))
        of, at = some[inside], step[inside][:, None]
        counted = ((own_step[inside] >= 0) & (at[:, 0] >= own_step[inside]))[:, None]
        index, share = self.index[of], self.share[of]
        corners = [
            np.exp(np.minimum(ladder.log_product[ladder.points.draw, at, index + c] - counted * self.own[c, of], 0.0))
            for c in (0, 1)
        ]
        found[inside] = (corners[0] + share * (corners[1] - corners[0])).mean(axis=1)
        return found

    def first_below_even(self, high: IntArray) -> IntArray:
        """(m,) the first step up to which a speaker is more likely beaten than not, `high` where at none before
        that."""
        low, high = np.zeros(len(self.rows), np.int64), high.copy()
        middle = np.maximum(high - 1, 0)  # it is `high` for most
        while len(some := np.flatnonzero(low < high)):
            middle = middle[some]
            beaten = self.chances(some, middle) < EVEN
            high[some[beaten]] = middle[beaten]
            low[some[~beaten]] = middle[~beaten] + 1
            middle = (low + high) // 2
        return low


@dataclass(frozen=True, eq=False)
class _Sheet:
    """Both are measured. log_product (D, grid of x, grid of y): logarithm of the product over the kept rivals of the
    chance of not being at least as good in both, less what is shared in draw D."""

    x: Known
    y: Known
    points: _Points
    grid_x: FloatArray
    grid_y: FloatArray
    log_product: NDArray[np.float32]
    kept: BoolArray
    hopeful: BoolArray

    @classmethod
    def of(cls, own_x: Known, own_y: Known, x: Known, y: Known) -> _Sheet:
        beaters = _Beaters.of(own_x, own_y, x, y)
        kept = np.flatnonzero(~beaters.beat(x, y))
        errors = x.shared.shape[1] + y.shared.shape[1]
        points = _Points.over(errors, 2, _PRODUCTS // max(len(kept), 1))
        draws = points.shared
        count = GRID_OF_TWO_SHARED if errors else GRID_OF_TWO
        grid_x, grid_y = _grid(x, kept, count), _grid(y, kept, count)
        table = np.zeros((len(draws), len(grid_x), len(grid_y)), np.float32)
        for d, u in enumerate(draws):
            total = np.zeros(table.shape[1:])
            moved_x, moved_y = x.shared[kept] @ u[: x.shared.shape[1]], y.shared[kept] @ u[x.shared.shape[1] :]
            worse_x = np.maximum(x.below(kept, grid_x[None, :] - moved_x[:, None]), _NEVER)
            worse_y = y.below(kept, grid_y[None, :] - moved_y[:, None])
            for start in range(
                0, len(kept), _TOGETHER
            ):  # each rival's factor, worse_x + (1 − worse_x)·worse_y, by one product
                many = slice(start, start + _TOGETHER)
                left = np.stack([worse_x[many], 1.0 - worse_x[many]], axis=-1)
                right = np.stack([np.ones_like(worse_y[many]), worse_y[many]], axis=-2)
                total += np.log(np.prod(left @ right, axis=0))
            table[d] = total
        among = np.zeros(len(x.value), bool)
        among[kept] = True
        return cls(x, y, points, grid_x, grid_y, table, among, ~beaters.beat(own_x, own_y))

    def chances(self, own_x: Known, own_y: Known) -> FloatArray:
        """(n,) probability of standing on the frontier; 0 for the surely beaten."""
        found = np.zeros(len(own_x.value))
        some = np.flatnonzero(self.hopeful)
        for start in range(0, len(some), _BLOCK // 4):
            rows = some[start : start + _BLOCK // 4]
            found[rows] = self._of(rows, own_x, own_y)
        return found

    def _of(self, rows: IntArray, own_x: Known, own_y: Known) -> FloatArray:
        points = self.points
        errors = own_x.shared.shape[1]
        moved_x = (own_x.shared[rows] @ points.shared[:, :errors].T)[:, points.draw]
        moved_y = (own_y.shared[rows] @ points.shared[:, errors:].T)[:, points.draw]
        i, share_x = _between(self.grid_x, own_x.at(rows, points.own[0]) + moved_x)
        j, share_y = _between(self.grid_y, own_y.at(rows, points.own[1]) + moved_y)
        among = np.flatnonzero(self.kept[rows])
        total = np.zeros(i.shape)
        for a in (0, 1):
            worse_x = self.x.below(rows[among], self.grid_x[i[among] + a] - moved_x[among])
            for b in (0, 1):
                worse_y = self.y.below(rows[among], self.grid_y[j[among] + b] - moved_y[among])
                value = self.log_product[points.draw, i + a, j + b]
                value[among] -= np.log(np.maximum(worse_x, _NEVER) + (1.0 - worse_x) * worse_y)
                weight = (share_x if a else 1.0 - share_x) * (share_y if b else 1.0 - share_y)
                total += weight * np.exp(np.minimum(value, 0.0))
        return np.asarray(total.mean(axis=1))
