"""Whether those who come first owe it to luck: the chance that their places, each judged by itself, hold
(method:statistics#luck).

Of many that are nearly equal the one that comes out first does so by its error, and its places then lie too high. How
far depends on the others near it, not on the whole field: three clusters of equals far apart are as bad as one. So the
field near each of the first three is taken apart into truths and errors, and what that says of its true place is held
against the places it was given. Where these are less sure than they ought to be, the first three take the places that
hold for all speakers together (`jointsets`). The same for the last three.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.places import Place, Places, Scores, phi, place_of, places

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PODIUM = 3  # how many at either end
LEAST_SURE = 0.95  # what places promise: a lower mean chance to hold is told as luck
_REACH_SD, _PER_SD = (
    5,
    6,
)  # of the grid of truths, in standard errors of the one looked at: as far up and down, so many to one
_ROUNDS = 200  # of the EM, which by then tells a field of equals from one as wide as its errors
_SLICES = 5  # of the order within a grid cell, which nothing is known of
_ERROR_RATIO = 1.2  # neighbouring classes of errors


@dataclass(frozen=True)
class Luck:
    """Whether the first, and the last, are partly lucky (unlucky)."""

    first: bool
    last: bool


def luck(scores: Scores) -> Luck:
    """Whether the places of the first three and of the last three, judged pair by pair, are likely to miss the true
    ones.

    >>> from speakerdb.statistics.places import exact
    >>> noise = np.random.default_rng(1).normal(size=100)
    >>> luck(exact(noise, 1.0)), luck(exact(noise + 3.0 * np.arange(100), 1.0))
    (Luck(first=True, last=True), Luck(first=False, last=False))
    """
    return Luck(_lucky(scores), _lucky(scores.turned()))


def _lucky(scores: Scores) -> bool:
    if len(scores) <= PODIUM:
        return False
    first = np.lexsort((scores.v, -scores.x))[:PODIUM].tolist()
    return float(np.mean([chance_to_hold(scores, row, place_of(scores, row)) for row in first])) < LEAST_SURE


def chance_to_hold(scores: Scores, row: int, place: Place) -> float:
    """The probability that the true place of a row lies within place.low … place.high, in the light of the whole field.

    Nonparametric empirical Bayes: the law of the true values near the row is found by EM on a grid (N. Laird, Journal
    of the American Statistical Association 73, 1978, 805-811), seen from the row's own bench; those in one cell of it
    stand in any order, all alike likely. The number above is then a sum of independent chances, taken as normal. Bounds
    count as exact, the branch that x lies in as the only one: both only make the given places wider.
    """
    sd = float(np.sqrt(scores.main.v[row]))
    if sd == 0.0:
        return 1.0
    cell = sd / _PER_SD
    grid = scores.x[row] + cell * np.arange(-_REACH_SD * _PER_SD, _REACH_SD * _PER_SD + 1)
    every = np.arange(len(scores))
    v = scores.main.v + scores.benches.variance(every, np.full(len(scores), row))
    others = np.flatnonzero((scores.x + 4.0 * np.sqrt(v) > grid[0]) & (every != row))
    x, v, count = _binned(np.append(others, row), scores.x, v, grid[0], cell)  # the row itself comes last
    chances = _truths(x, v, count, grid, cell)
    own, chances = chances[-1], chances[:-1]
    count = count[:-1]
    above = np.cumsum(chances[:, ::-1], axis=1)[:, ::-1] - chances
    found = 0.0
    for share in (np.arange(_SLICES) + 0.5) / _SLICES:
        p = np.clip(above + share * chances, 0.0, 1.0)
        mean, spread = count @ p, np.sqrt(count @ (p * (1.0 - p))) + 1e-9
        too_high = phi((place.low - 1.5 - mean) / spread) if place.low > 1 else 0.0
        too_low = phi((mean - place.high + 0.5) / spread) if place.high <= count.sum() else 0.0
        found += float((own * (1.0 - too_high - too_low)).sum()) / _SLICES
    return found


def _binned(
    rows: IntArray, x: FloatArray, v: FloatArray, start: float, cell: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """x, v and number (m,) of rows that fall together by value and error; the last row stays by itself, as the last."""
    at = np.round((x[rows] - start) / cell).astype(np.int64)
    size = np.round(np.log(v[rows] + cell**2 / 12.0) / np.log(_ERROR_RATIO)).astype(np.int64)
    _, code = np.unique(np.stack([at, size])[:, :-1], axis=1, return_inverse=True)
    count = np.bincount(code)
    mean_x, mean_v = (np.bincount(code, values[rows[:-1]]) / count for values in (x, v))
    last = rows[-1]
    return np.append(mean_x, x[last]), np.append(mean_v, v[last]), np.append(count, 1).astype(np.float64)


def _truths(x: FloatArray, v: FloatArray, count: FloatArray, grid: FloatArray, cell: float) -> FloatArray:
    """(m, g) probabilities of each bin's true value in each cell of the grid, the law of truths being found from all
    bins."""
    blur = v[:, None] + cell**2 / 12.0
    likelihood = np.exp(-0.5 * (x[:, None] - grid) ** 2 / blur) / np.sqrt(blur) + np.finfo(np.float64).tiny
    law = np.full(len(grid), 1.0 / len(grid))
    for _ in range(_ROUNDS):
        law = law * ((count / (likelihood @ law)) @ likelihood) / count.sum()
    found = likelihood * law
    return np.asarray(found / found.sum(axis=1, keepdims=True))


@dataclass(frozen=True, eq=False)
class Ranking(Places):
    """Places to be shown: those of pairs, but where luck is told of the first or the last, theirs are the joint ones.
    first, last (p,): whose."""

    first: NDArray[np.bool_]
    last: NDArray[np.bool_]


def podium(scores: Scores, luck: Luck) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(p,), (p,) who takes joint places: where luck is told, the first three and those that share their ranks, and
    likewise the last."""
    ascending = np.sort(scores.x)
    third, third_last = ascending[-PODIUM:].min(initial=np.inf), ascending[:PODIUM].max(initial=-np.inf)
    return np.asarray(luck.first & (scores.x >= third)), np.asarray(luck.last & (scores.x <= third_last))


def ranking(scores: Scores, joint: Callable[[], float]) -> Ranking:
    """The places of all, with luck allowed for. joint(): the critical value for all pairs together, asked for only
    where it is needed.

    >>> from speakerdb.statistics.places import exact
    >>> equals = exact(np.random.default_rng(1).normal(size=100), 1.0)
    >>> found = ranking(equals, lambda: 4.3)
    >>> best = int(np.argmax(equals.x))
    >>> int(found.first.sum()), place_of(equals, best).high < 90
    (3, True)
    >>> int(found.high[best]), ranking_of(equals, best, lambda: 4.3).high
    (100, 100)
    """
    each, (first, last) = places(scores), podium(scores, luck(scores))
    low, high = each.low.copy(), each.high.copy()
    rows = np.flatnonzero(first | last)
    if len(rows):
        critical = joint()
        for row in rows.tolist():
            wide = place_of(scores, row, critical)
            low[row], high[row] = wide.low, wide.high
    return Ranking(each.rank, low, high, first, last)


def ranking_of(scores: Scores, row: int, joint: Callable[[], float]) -> Place:
    """One speaker's row of `ranking`."""
    first, last = podium(scores, luck(scores))
    return place_of(scores, row, joint()) if first[row] or last[row] else place_of(scores, row)
