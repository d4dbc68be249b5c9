"""Two properties against each other: what one leads to expect of the other, and the line that a share of all leave
below.

n speakers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.clusters import codes

FloatArray = NDArray[np.float64]
LEVEL = 0.95
LEAST_FOR_QUANTILE = 50
BOOTSTRAPS = 2000


@dataclass(frozen=True, eq=False)
class Expectation:
    """What the other speakers lead to expect: expected, low, high (n,), the 95 % prediction interval; NaN where too
    few."""

    expected: FloatArray
    low: FloatArray
    high: FloatArray


def design(x: FloatArray, groups: NDArray[np.int64]) -> FloatArray:
    """(n, p): constant, x about its mean, and a column per group but the first."""
    codes = np.unique(groups)[1:]
    return np.column_stack([np.ones(len(x)), x - x.mean(), *((groups == c).astype(float) for c in codes)])


def expectation(x: FloatArray, y: FloatArray, groups: NDArray[np.int64]) -> Expectation:
    """Least squares of y (n,) on x (n,) and group, each speaker left out of its own prediction, with Student's t
    interval.

    With h the leverage and e the residual, leaving a row out gives y − e/(1 − h), variance s²/(1 − h) and s² = (Σe² −
    e²/(1 − h))/(n − p − 1) (Belsley, Kuh & Welsch, Regression Diagnostics, 1980). NaN for the only one of a group.
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
    half = stdtrit(freedom, (1.0 + LEVEL) / 2.0) * np.sqrt(variance)
    expected = y - without
    return Expectation(expected, expected - half, expected + half)


def quantile_line(x: FloatArray, y: FloatArray, tau: float, precision: float = 1e-12) -> tuple[float, float]:
    """(intercept, slope) of linear quantile regression: the least Σ ρ(y − a − b·x), ρ(u) = u·(τ − [u < 0]).

    Source: R. Koenker, G. Bassett, Econometrica 46(1), 1978. For a given slope the best intercept is the τ quantile of
    what is left, and the loss is convex in the slope: it is found by golden-section search, to `precision` of the range
    of y over a spread of x.
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


def quantile_band(
    x: FloatArray, y: FloatArray, tau: float, clusters: Sequence[Any], at: FloatArray, random: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The quantile line at the given x (m,), and its 95 % band from resampling whole clusters (makers); None below 50
    points."""
    if len(x) < LEAST_FOR_QUANTILE or np.ptp(x) == 0:
        return None
    a, b = quantile_line(x, y, tau)
    code = codes(np.asarray(clusters))
    makers = int(code.max()) + 1
    drawn = random.integers(0, makers, (BOOTSTRAPS, makers))
    times = np.stack([np.bincount(one, minlength=makers) for one in drawn])  # how often each maker is drawn
    centre, spread = x.mean(), x.std()
    resampled = _Resampled((x - centre) / spread, y - (a + b * x), tau, code, times)
    start, slope = resampled.lines(2.5 * float(np.std(resampled.y)) / np.sqrt(makers))
    fits = start[:, None] + slope[:, None] * (at - centre) / spread
    low, high = np.nanpercentile(fits, (2.5, 97.5), axis=0)
    line = a + b * at
    return line, line + low, line + high


_BISECTIONS = 15  # of a slope within its bracket: far below how much resampled lines differ
_CHUNK = 150_000  # points of resamples at a time


@dataclass(frozen=True, eq=False)
class _Resampled:
    """Quantile lines of many resamples at once, about the line of all. z, y (n,): x in standard deviations and what the
    line leaves; code (n,): the cluster of each; times (B, clusters): how often each is drawn.

    Koenker and Bassett's loss, its intercept at the best, has a derivative in the slope that rises through nothing: it
    is bisected. Of the points only those near the line can lie on either side of a resampled one; of the rest their
    number and sum will do (S. Portnoy, R. Koenker, Statistical Science 12(4), 1997, from memory). Where near proves too
    near, it is taken twice as far.
    """

    z: FloatArray
    y: FloatArray
    tau: float
    code: NDArray[np.int64]
    times: NDArray[np.int64]

    @cached_property
    def furthest(self) -> float:
        """No line through points of these goes further."""
        return 8.0 * float(np.ptp(self.y)) + 1e-12

    def lines(self, reach: float) -> tuple[FloatArray, FloatArray]:
        """(B,) intercepts and slopes in z; NaN where all of a resample have one x. reach > 0: a guess of how far they
        lie from 0."""
        found = np.full((2, len(self.times)), np.nan)
        members = np.bincount(self.code, minlength=self.times.shape[1])
        spread = np.array([self.times @ np.bincount(self.code, self.z**p, self.times.shape[1]) for p in (1, 2)])
        count = self.times @ members
        left = np.flatnonzero(spread[1] - spread[0] ** 2 / count > 1e-9 * count)
        while len(left):
            reach = min(max(reach, 1e-9 * self.furthest), self.furthest)
            near = (np.abs(self.y) <= reach * (2.0 + np.abs(self.z))) | (reach == self.furthest)
            size = max(1, _CHUNK // max(int(near.sum()), 1))
            parts = [self._of(left[i : i + size], near, reach) for i in range(0, len(left), size)]
            found[:, left] = np.concatenate(parts, axis=1)
            left = left[np.isnan(found[0, left])]
            reach *= 2.0
        return found[0], found[1]

    def _of(self, chosen: NDArray[np.int64], near: NDArray[np.bool_], reach: float) -> FloatArray:
        """(2, b) intercepts and slopes of the chosen resamples, slopes sought within ± reach, intercepts within twice
        that; NaN where a line left the near points."""
        times, clusters = self.times[chosen], self.times.shape[1]

        def total(which: NDArray[np.bool_], of: FloatArray | None = None) -> FloatArray:
            one = np.bincount(self.code[which], None if of is None else of[which], clusters)
            return np.asarray(times @ one, np.float64)

        every, below = np.ones(len(self.z), bool), ~near & (self.y < 0)
        count, sum_z, count_below, sum_below = total(every), total(every, self.z), total(below), total(below, self.z)
        place = np.minimum(np.ceil(self.tau * count), count) - 1  # of the quantile among a whole resample, from 0
        z, y, nth, width = self._drawn(times, near, (place - count_below).astype(np.int64))
        low, high = np.full(len(chosen), -reach), np.full(len(chosen), reach)
        lost = (place < count_below) | (place >= count_below + width)
        rows, drawn = np.arange(len(chosen)), np.isfinite(y)
        # first both ends, which have to lie on either side of the best, and last the middle of what is left
        for step in range(_BISECTIONS + 3):
            slope = low if step == 0 else high if step == 1 else (low + high) / 2.0
            residual = y - slope[:, None].astype(np.float32) * z
            pivot = np.argpartition(residual, nth, axis=1)[:, nth]
            start = residual[rows, pivot]
            under = (residual < start[:, None]) & drawn
            excess = self.tau * count - count_below - under.sum(axis=1)
            falling = self.tau * sum_z - sum_below - np.einsum("bw,bw->b", z, under) - z[rows, pivot] * excess
            lost |= ~(np.abs(start) <= 2.0 * reach)
            if step < 2:
                lost |= falling < 0 if step == 0 else falling > 0
            elif step < _BISECTIONS + 2:
                low, high = np.where(falling > 0, slope, low), np.where(falling > 0, high, slope)
        return np.where(lost & (reach < self.furthest), np.nan, np.stack([start, slope]))

    def _drawn(
        self, times: NDArray[np.int64], near: NDArray[np.bool_], place: NDArray[np.int64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], int, NDArray[np.int64]]:
        """z, y (b, W) of the near points of each resample, their quantile's place the same in all: what fills rows up
        is −∞ before and +∞ after them; that place, and (b,) how many points they are."""
        rows = np.flatnonzero(near)
        width = times @ np.bincount(self.code[rows], minlength=times.shape[1])
        place = np.clip(place, 0, np.maximum(width - 1, 0))
        nth = int(place.max())
        before = nth - place
        shape = (len(times), int((before + width).max()) + 1)
        z, y = np.zeros(shape, np.float32), np.full(shape, np.inf, np.float32)
        for b, often in enumerate(times):
            points = np.repeat(rows, often[self.code[rows]])
            to = slice(before[b], before[b] + len(points))
            z[b, to], y[b, to], y[b, : before[b]] = self.z[points], self.y[points], -np.inf
        return z, y, nth, width
