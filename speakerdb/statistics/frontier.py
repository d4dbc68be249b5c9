"""Trade-offs between two properties of a field: who is beaten in both, with what probability, and from which price on not.

Throughout, more is better in both: negate a property of which less is better. n speakers, B draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Ends:
    """Draws of a property (n, B) with each speaker at the worst and at the best that is known of it: the same array where
    nothing is censored, ∓infinite on the open side where it is."""

    worst: FloatArray
    best: FloatArray

    @classmethod
    def of(cls, draws: NDArray[np.floating[Any]], lower: FloatArray, upper: FloatArray) -> Ends:
        """From draws (n, B) and what is known of the values (n,): infinite on an open side."""
        x = draws.astype(np.float64)
        open_below, open_above = np.isneginf(lower), np.isposinf(upper)
        if not (open_below | open_above).any():
            return cls(x, x)
        return cls(np.where(open_below[:, None], -np.inf, x), np.where(open_above[:, None], np.inf, x))


def on_frontier(x: FloatArray, y: FloatArray) -> Flags:
    """(n,) speakers that no other beats: at least as good in both and better in one.

    >>> on_frontier(np.array([1.0, 2.0, 3.0, 2.0]), np.array([3.0, 2.0, 1.0, 1.5])).tolist()
    [True, True, True, False]
    """
    return ~_dominated(x, y, x, y)


def _best_but_one(values: FloatArray) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
    """Of the first 0, 1, … n values: the largest, its place, and the largest of the others (second where tied)."""
    first = np.maximum.accumulate(values)
    before = np.concatenate([[-np.inf], first[:-1]])
    record = values > before
    record[:1] = True
    owner = np.maximum.accumulate(np.where(record, np.arange(len(values)), 0))
    second = np.maximum.accumulate(np.minimum(values, before))
    head = np.array([-np.inf])
    return np.concatenate([head, first]), np.concatenate([[-1], owner]), np.concatenate([head, second])


def _dominated(x: FloatArray, y: FloatArray, own_x: FloatArray, own_y: FloatArray) -> Flags:
    """(n,) whether a speaker at (own_x, own_y) is beaten by another one at (x, y)."""
    order = np.argsort(-x, kind="stable")
    falling = -x[order]
    first, place, second = _best_but_one(y[order])
    owner = np.concatenate([[-1], order])[place + 1]
    itself = np.arange(len(x))

    def highest(side: Literal["left", "right"]) -> FloatArray:
        """The best y of the others whose x is at least ('right') or more than ('left') one's own."""
        count = np.searchsorted(falling, -own_x, side=side)
        return np.asarray(np.where(owner[count] == itself, second[count], first[count]))

    at_least, more = highest("right"), highest("left")
    return np.asarray((at_least > own_y) | ((more >= own_y) & (more > -np.inf)))


def frontier_probability(x: Ends, y: Ends) -> tuple[FloatArray, FloatArray]:
    """(n,), (n,): the share of draws in which a speaker is on the frontier, at least and at most.

    Where something is censored the least takes the speaker at its worst and all others at their best, the most the
    reverse; else both are the same.
    """
    count, draws = x.best.shape
    shares = []
    exact = x.worst is x.best and y.worst is y.best
    for own_x, own_y, others_x, others_y in ((x.worst, y.worst, x.best, y.best), (x.best, y.best, x.worst, y.worst)):
        found = np.zeros(count)
        for b in range(draws):
            found += ~_dominated(
                np.ascontiguousarray(others_x[:, b]), np.ascontiguousarray(others_y[:, b]), own_x[:, b], own_y[:, b]
            )
        shares.append(found / draws)
        if exact:
            return shares[0], shares[0]
    return shares[0], shares[1]


def frontier_limit(x: FloatArray, y: NDArray[np.floating[Any]]) -> FloatArray:
    """(n, B): for each draw of y (n, B) the x that a speaker must exceed to be on the frontier: the best x of those with a better y.

    −infinite where nobody has a better y: any x will do. x (n,) is known exactly; with x = −price, minus the result is
    the price below which the speaker would be on the frontier.
    """
    count, draws = y.shape
    found = np.empty((count, draws))
    for b in range(draws):
        column = np.ascontiguousarray(y[:, b], np.float64)
        order = np.argsort(-column, kind="stable")
        best = np.concatenate([[-np.inf], np.maximum.accumulate(x[order])])
        better = np.searchsorted(-column[order], -column, side="left")
        found[:, b] = best[better]
    return found
