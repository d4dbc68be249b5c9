"""Holding speakers against requirements: what is met, missed, or cannot be judged, with censored values carried.

A figure is an interval per speaker: exact where low = high, open at an end where it is censored, open at both where it
is unknown. A requirement is a margin, met where it is 0 or more. What is met at every point of the interval is met,
what is met at none is missed; in between it may be met where both ends are known, and is not judged where one is open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Texts = NDArray[np.object_]

MEETS, MISSES, NOT_JUDGED, MAY = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class Interval:
    """low, high (n,), or (K, n) at K steps of it: what is known of a figure; reason (n,): why it is unknown, else
    None."""

    low: NDArray[np.floating[Any]]
    high: NDArray[np.floating[Any]]
    reason: Texts

    def take(self, rows: slice | NDArray[np.integer[Any]]) -> Interval:
        """The figure of the chosen speakers."""
        return Interval(self.low[..., rows], self.high[..., rows], self.reason[rows])

    def plus(self, gain: FloatArray | float) -> Interval:
        """The figure with an exact amount added."""
        return Interval(self.low + gain, self.high + gain, self.reason)

    def below(self, limit: float) -> Interval:
        """The margin by which the figure stays below a limit."""
        return Interval(limit - self.high, limit - self.low, self.reason)

    def above(self, limit: float) -> Interval:
        """The margin by which the figure exceeds a limit."""
        return self.plus(-limit)

    def best(self) -> tuple[FloatArray, NDArray[np.str_]]:
        """(n,) the one number to print, and 'none', 'at_least' or 'at_most'; NaN where nothing is known.

        Where both ends are known but differ, the lower one, 'at_least'.
        """
        known_low, known_high = np.isfinite(self.low), np.isfinite(self.high)
        value = np.where(known_low, self.low, np.where(known_high, self.high, np.nan))
        exact = known_low & (self.low == self.high)
        sign = np.where(exact, "none", np.where(known_low, "at_least", np.where(known_high, "at_most", "none")))
        return value, sign


def interval(
    value: FloatArray,
    censored: Sequence[str] | Texts | None = None,
    reason: Texts | None = None,
    upper: FloatArray | None = None,
) -> Interval:
    """An interval from values (n,), NaN where unknown, and the censoring words of the dictionary; upper (n,): the other
    end of those that lie between two."""
    words = np.full(len(value), "none", object) if censored is None else np.asarray(censored, object)
    unknown = np.isnan(value)
    low = np.where(unknown | (words == "at_most"), -np.inf, value)
    high = np.where(
        unknown | (words == "at_least"), np.inf, value if upper is None else np.where(words == "between", upper, value)
    )
    return Interval(low, high, choose(unknown, reason))


def choose(where: NDArray[np.bool_], then: Texts | str | None, otherwise: Texts | None = None) -> Texts:
    """np.where for texts (n,) with None among them."""
    found = np.full(len(where), None, object) if otherwise is None else otherwise.copy()
    found[where] = then[where] if isinstance(then, np.ndarray) else then
    return found


def given(texts: Texts) -> NDArray[np.bool_]:
    """(n,) where there is a text."""
    none = np.array(None, object)
    return np.asarray(np.not_equal(texts, none), bool)


@dataclass(frozen=True, eq=False)
class Requirement:
    """margin: 0 or more where met; near: a miss by no more than this is a near one; told: what an open case is told as.

    told(i) says in words why speaker i cannot be judged where its margin carries no reason (a censored figure).
    """

    what: str
    unit: str
    near: float
    margin: Interval
    told: Callable[[int], str]

    @property
    def missed(self) -> NDArray[np.bool_]:
        return np.asarray(self.margin.high < 0.0)

    @property
    def may(self) -> NDArray[np.bool_]:
        """Known within limits, of which the lower one misses it and the higher one meets it."""
        both = np.isfinite(self.margin.low) & np.isfinite(self.margin.high)
        return np.asarray((self.margin.low < 0.0) & (self.margin.high >= 0.0) & both)

    @property
    def open(self) -> NDArray[np.bool_]:
        return np.asarray((self.margin.low < 0.0) & (self.margin.high >= 0.0) & ~self.may)

    def why_open(self, i: int) -> str:
        return str(self.margin.reason[i] or self.told(i))


def why_open(requirements: Sequence[Requirement], rows: NDArray[np.intp]) -> list[str]:
    """For each of the rows why it is not judged, requirement by requirement; '' where everything is."""
    found: list[list[str]] = [[] for _ in rows]
    for requirement in requirements:
        for place in np.flatnonzero(requirement.open[rows]):
            found[place].append(requirement.why_open(int(rows[place])))
    return ["; ".join(dict.fromkeys(reasons)) for reasons in found]


def judge(requirements: Sequence[Requirement]) -> NDArray[np.int8]:
    """(n,) MEETS, MAY, MISSES or NOT_JUDGED: one sure miss is a miss whatever else is unknown."""
    missed = np.logical_or.reduce([r.missed for r in requirements])
    open_ = np.logical_or.reduce([r.open for r in requirements])
    may = np.logical_or.reduce([r.may for r in requirements])
    return np.select([missed, open_, may], [MISSES, NOT_JUDGED, MAY], MEETS).astype(np.int8)


def remoteness(requirements: Sequence[Requirement]) -> FloatArray:
    """(n,) how far a speaker misses: the sum of its sure misses, each in units of what still counts as near."""
    parts = [np.where(r.missed, -r.margin.high / r.near, 0.0) for r in requirements]
    return np.asarray(np.sum(parts, axis=0))


def is_near(requirements: Sequence[Requirement]) -> NDArray[np.bool_]:
    """(n,) whether each sure miss is a near one."""
    return np.asarray(np.logical_and.reduce([~r.missed | (-r.margin.high <= r.near) for r in requirements]))
