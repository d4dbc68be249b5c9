"""Counting for each of p speakers those that are surely better and surely worse, without looking at every pair.

Speakers fall into cells of alike errors on alike benches. Between two cells the least gap that counts is bracketed so
closely that two look-ups in a sorted list decide nearly all pairs; only those between the brackets are judged one by
one, by the rule itself. So the counts are those of the rule over all p² pairs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.benches import Benches

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_FEW = 400  # speakers of whom every pair is judged: quicker than sorting them into cells
_CELLS = 24  # at least so many
_PAIRS = 1_000_000  # pairs at a time
_LEAST = 1e-4  # variance, as a share of the mean, below which it does not matter how small it is
_SPLITS = (
    0.5,
    *(end for e in (0.1, 0.02, 0.004, 8e-4, 1.6e-4, 3.2e-5) for end in (e, 1.0 - e)),
)  # of the tail, to the first branch
_ROOM = 1e-12  # of the largest figure at work: more than rounding can move


@dataclass(frozen=True, eq=False)
class Side:
    """One branch of each of p values: lower, upper (p,) what is known of it, its variance v and its share (0: no such
    branch)."""

    lower: FloatArray
    upper: FloatArray
    v: FloatArray
    share: FloatArray


@dataclass(frozen=True)
class Rule:
    """When k is surely better than j: surely(j, k) judges index arrays (m,). critical: of exact values, where the gap
    exceeds critical·d. tail, unit: of mixtures, where the mean of Φ(−gap/(unit·d)) over the branches is less than
    tail."""

    surely: Callable[[IntArray, IntArray], BoolArray]
    critical: float
    tail: float
    unit: float


@dataclass(eq=False)
class _Counts:
    """better, worse (p,): how many are found so far to be better, and to be worse, than each."""

    better: IntArray
    worse: IntArray
    rule: Rule

    def judge(self, j: IntArray, k: IntArray) -> None:
        """Judge pairs (m,) by the rule and count them."""
        for first in range(0, len(j), _PAIRS):
            part = slice(first, first + _PAIRS)
            sure = self.rule.surely(j[part], k[part])
            self.better += np.bincount(j[part][sure], minlength=len(self.better))
            self.worse += np.bincount(k[part][sure], minlength=len(self.worse))

    def between(
        self, rows: IntArray, ascending: IntArray, first_open: IntArray, first_sure: IntArray
    ) -> tuple[IntArray, IntArray]:
        """Count for each of `rows` the rivals from `first_sure` on in `ascending`; give back the open pairs before
        that."""
        self.better[rows] += len(ascending) - first_sure
        self.worse[ascending] += np.cumsum(np.bincount(first_sure, minlength=len(ascending) + 1))[:-1]
        length = first_sure - first_open
        total = int(length.sum())
        if not total:
            return _NONE, _NONE
        start = np.repeat(first_open - (np.cumsum(length) - length), length)
        return np.repeat(rows, length), ascending[start + np.arange(total)]


_NONE = np.zeros(0, np.int64)


def count_pairs(main: Side, other: Side, benches: Benches, rule: Rule) -> tuple[IntArray, IntArray]:
    """(p,), (p,): how many are surely better, and surely worse, than each. The same as judging all p² pairs by the
    rule."""
    count = len(main.v)
    counts = _Counts(np.zeros(count, np.int64), np.zeros(count, np.int64), rule)
    if count <= _FEW:
        every = np.arange(count)
        counts.judge(np.repeat(every, count), np.tile(every, count))
        return counts.better, counts.worse
    field = _Field.of(main, other, benches, rule)
    plain, two = np.flatnonzero(other.share == 0.0), np.flatnonzero(other.share > 0.0)
    _plain_pairs(field, plain, counts)
    if len(two):
        _mixed_pairs(field, two, plain, counts)
        turned = _Counts(
            counts.worse, counts.better, Rule(lambda j, k: rule.surely(k, j), rule.critical, rule.tail, rule.unit)
        )
        _mixed_pairs(field.turned(), two, plain, turned)
        _branched_pairs(field, two, counts)
    return counts.better, counts.worse


@dataclass(frozen=True, eq=False)
class _Field:
    """What cells are made of. group (p,): patterns of benches, the rare ones lumped; least, most (G, G): bounds of
    |loading_P − loading_Q|² between the patterns of two groups; room: what rounding may move."""

    main: Side
    other: Side
    tau: FloatArray
    group: IntArray
    least: FloatArray
    most: FloatArray
    room: float
    rule: Rule

    @classmethod
    def of(cls, main: Side, other: Side, benches: Benches, rule: Rule) -> _Field:
        felt = bool((benches.tau > 0).any())
        patterns, pattern = np.unique(benches.pattern if felt else np.zeros(len(main.v), np.int64), return_inverse=True)
        lump = _lumps(np.bincount(pattern))
        factor = benches.factor[np.ix_(patterns, patterns)] if felt else np.zeros((1, 1))
        groups = int(lump.max()) + 1
        least, most = np.full((groups, groups), np.inf), np.zeros((groups, groups))
        at = np.ix_(lump, lump)
        np.minimum.at(least, at, factor)
        np.maximum.at(most, at, factor)
        figures = np.concatenate([main.lower, main.upper, other.lower, other.upper])
        widest = np.sqrt(2.0 * max(main.v.max(), other.v.max()) + benches.tau.max(initial=0.0) * factor.max())
        largest = np.abs(figures[np.isfinite(figures)]).max(initial=0.0) + rule.critical * float(widest)
        return cls(main, other, benches.tau, lump[pattern], least, most, _ROOM * float(largest), rule)

    def turned(self) -> _Field:
        """Less for more."""
        main, other = (Side(-side.upper, -side.lower, side.v, side.share) for side in (self.main, self.other))
        return replace(self, main=main, other=other)


def _lumps(sizes: IntArray) -> IntArray:
    """A group for each pattern: its own if it has its share of the speakers, else one together with other rare ones."""
    fair = max(int(sizes.sum()) // _CELLS, 1)
    large = sizes >= fair
    group = np.empty(len(sizes), np.int64)
    group[large] = np.arange(int(large.sum()))
    rare = np.cumsum(sizes[~large]) // fair
    group[~large] = int(large.sum()) + np.unique(rare, return_inverse=True)[1]
    return group


def _cells(field: _Field, rows: IntArray, size: int) -> list[IntArray]:
    """Rows in cells of at most `size`, each of one group and of errors as alike as can be."""
    felt = bool(field.most.max() > 0)
    found, waiting = [], [rows[field.group[rows] == g] for g in np.unique(field.group[rows])]
    size_of = np.log(np.stack([_floored(field.main.v), _floored(field.tau)] if felt else [_floored(field.main.v)]))
    while waiting:
        part = waiting.pop()
        ranges = np.ptp(size_of[:, part], axis=1)
        widest = int(np.argmax(ranges))
        if len(part) <= size or ranges[widest] < 1e-9:
            found.append(
                part[np.argsort(field.main.upper[part], kind="stable")]
            )  # look-ups in rising order are quicker
        else:
            part = part[np.argsort(size_of[widest, part], kind="stable")]
            waiting += [part[: len(part) // 2], part[len(part) // 2 :]]
    return found


def _floored(v: FloatArray) -> FloatArray:
    """Variances kept off zero, so that their ratios are of use."""
    return np.asarray(np.maximum(v, _LEAST * v.mean() + np.finfo(np.float64).tiny))


def _plain_pairs(field: _Field, rows: IntArray, counts: _Counts) -> None:
    """Count pairs of exact values and bounds.

    d = √(a_j + b_k) lies just below √(a0 + b) + √(a + b0) − √(a0 + b0), a0 and b0 the least of each cell (√ of a sum
    has falling differences), so that d comes apart into what j has and what k has.
    """
    cells = _cells(field, rows, max(len(rows) // _CELLS, 1))
    open_pairs: list[tuple[IntArray, IntArray]] = []
    waiting = 0
    for own in cells:
        for rival in cells:
            pairs = counts.between(*_bracket(field, own, rival))
            if len(pairs[0]):
                open_pairs.append(pairs)
                waiting += len(pairs[0])
            if waiting > _PAIRS:
                _judge(counts, open_pairs)
                open_pairs, waiting = [], 0
    _judge(counts, open_pairs)


def _judge(counts: _Counts, pairs: Sequence[tuple[IntArray, IntArray]]) -> None:
    if pairs:
        counts.judge(np.concatenate([j for j, _ in pairs]), np.concatenate([k for _, k in pairs]))


def _bracket(field: _Field, own: IntArray, rival: IntArray) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """(own, rivals ascending, first open, first sure) of two cells, places in the ascending rivals for each of
    `own`."""
    g, h = field.group[own[0]], field.group[rival[0]]
    least, most = float(field.least[g, h]), float(field.most[g, h])
    a = field.main.v[own] + 0.5 * most * field.tau[own]
    b = field.main.v[rival] + 0.5 * most * field.tau[rival]
    a0, a1, b0, b1 = a.min(), a.max(), b.min(), b.max()
    corner = np.sqrt(a0 + b0)
    slack = np.sqrt(a0 + b1) + np.sqrt(a1 + b0) - corner - np.sqrt(a1 + b1)
    if most > least:
        slack += np.sqrt(0.5 * (most - least) * (field.tau[own].max() + field.tau[rival].max()))
    c = field.rule.critical
    theirs = field.main.lower[rival] - c * np.sqrt(a0 + b)
    mine = field.main.upper[own] + c * (np.sqrt(a + b0) - corner)
    order = np.argsort(theirs)
    theirs = theirs[order]
    first_sure = np.searchsorted(theirs, mine + field.room, side="right")
    first_open = np.searchsorted(theirs, mine - (c * slack + field.room), side="left")
    return own, rival[order], first_open, first_sure


def _mixed_pairs(field: _Field, two: IntArray, plain: IntArray, counts: _Counts) -> None:
    """Count the plain ones that are better than each of those with two branches.

    The mean of the branches' tails is at least each one's share of it, and less than `tail` where the branches keep
    within any split of it.
    """
    sides = (field.main, field.other)
    share = np.stack([side.share[two] for side in sides])
    upper = np.stack([side.upper[two] for side in sides])
    v = np.stack([side.v[two] for side in sides])
    need = field.rule.unit * _quantiles(field.rule.tail, share)
    splits = np.array([[split, 1.0 - split] for split in _SPLITS])[:, :, None]
    enough = field.rule.unit * _quantiles(field.rule.tail * splits, share)
    for cell in _cells(field, plain, max(len(plain) // (4 * _CELLS), 1)):
        rival = cell[np.argsort(field.main.lower[cell], kind="stable")]
        ascending, h = field.main.lower[rival], field.group[rival[0]]
        low, high = field.main.v[rival].min(), field.main.v[rival].max()
        tau = field.tau[rival]
        near = np.sqrt(v + low + 0.5 * field.least[field.group[two], h] * (field.tau[two] + tau.min()))
        far = np.sqrt(v + high + 0.5 * field.most[field.group[two], h] * (field.tau[two] + tau.max()))
        refused = _beyond(upper, need, near, far).max(axis=0)
        granted = _beyond(upper, enough, far, near).max(axis=1).min(axis=0)
        first_sure = np.searchsorted(ascending, granted + field.room, side="right")
        first_open = np.minimum(np.searchsorted(ascending, refused - field.room, side="right"), first_sure)
        counts.judge(*counts.between(two, rival, first_open, first_sure))


def _beyond(upper: FloatArray, z: FloatArray, up: FloatArray, down: FloatArray) -> FloatArray:
    """upper and z standard errors more, of one size where z is positive, of another where negative; −∞ where z asks for
    nothing."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isneginf(z), -np.inf, upper + np.where(z >= 0, z * up, z * down))


def _quantiles(tail: FloatArray | float, share: FloatArray) -> FloatArray:
    """z with share·Φ(−z) = tail: how far a branch of that share must be off to leave no more than tail; −∞ where its
    whole share is less."""
    ratio = np.asarray(tail / share)
    values, at = np.unique(ratio, return_inverse=True)
    inverse = NormalDist().inv_cdf
    return np.array([-inverse(r) if r < 1.0 else -np.inf for r in values.tolist()])[at].reshape(ratio.shape)


def _branched_pairs(field: _Field, two: IntArray, counts: _Counts) -> None:
    """Count pairs of values that both have two branches.

    Sure is what every branch allows by itself; and the larger branches of both, which hold a quarter of the probability
    at least, must not leave more than the tail.
    """
    sides = (field.main, field.other)

    def larger(name: str) -> FloatArray:
        a, b = (getattr(side, name)[two] for side in sides)
        return np.asarray(np.where(sides[0].share[two] >= sides[1].share[two], a, b))

    two = two[np.argsort(larger("lower"), kind="stable")]
    lower, upper, v = larger("lower"), larger("upper"), larger("v")
    least = np.minimum(*(side.lower[two] for side in sides))
    most = np.maximum(*(side.upper[two] for side in sides))
    widest = np.maximum(*(side.v[two] for side in sides)) + 0.5 * field.most.max() * field.tau[two]
    need = field.rule.unit * float(_quantiles(field.rule.tail, np.array([0.25]))[0])
    step = max(1, _PAIRS // len(two))
    for first in range(0, len(two), step):
        j = slice(first, first + step)
        k = slice(int(np.searchsorted(lower, upper[j].min() - field.room)), None)  # of lower ones nothing is sure
        sure = least[k] - most[j, None] > field.rule.critical * np.sqrt(widest[j, None] + widest[k]) + field.room
        near = lower[k] - upper[j, None] > need * np.sqrt(v[j, None] + v[k]) - field.room
        counts.better[two[j]] += sure.sum(axis=1)
        counts.worse[two[k]] += sure.sum(axis=0)
        a, b = np.nonzero(near & ~sure)
        counts.judge(two[j][a], two[k][b])
