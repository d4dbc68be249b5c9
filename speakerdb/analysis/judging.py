"""Holding speakers against requirements: what is met, missed, or cannot be judged, with censored values carried.

A figure is an interval per speaker: exact where low = high, open at an end where it is censored, open at both where it
is unknown. A requirement is a margin, met where it is 0 or more. What is met at every point of the interval is met,
what is met at none is missed, anything else is not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Texts = NDArray[np.object_]

MEETS, MISSES, NOT_JUDGED = 0, 1, 2


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


def interval(value: FloatArray, censored: Sequence[str] | Texts | None = None, reason: Texts | None = None) -> Interval:
    """An interval from values (n,), NaN where unknown, and the censoring words of the dictionary."""
    words = np.full(len(value), "none", object) if censored is None else np.asarray(censored, object)
    unknown = np.isnan(value)
    low = np.where(unknown | (words == "at_most"), -np.inf, value)
    high = np.where(unknown | (words == "at_least"), np.inf, value)
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


def always(count: int, value: float = np.inf) -> Interval:
    """An exact figure that is the same for all; the default never limits anything."""
    same = np.full(count, value)
    return Interval(same, same, np.full(count, None, object))


def lowest(parts: Sequence[Interval]) -> Interval:
    """The lowest of several figures of each speaker. Unknown parts leave it open downward; their reasons are joined."""
    reasons = parts[0].reason
    for part in parts[1:]:
        reasons = _joined(reasons, part.reason)
    return Interval(reduce(np.minimum, [p.low for p in parts]), reduce(np.minimum, [p.high for p in parts]), reasons)


def _joined(first: Texts, second: Texts) -> Texts:
    """Two reasons of each speaker as one."""
    has_first, has_second = given(first), given(second)
    found = choose(has_second, second, first)
    for i in np.flatnonzero(has_first & has_second):
        if first[i] != second[i]:
            found[i] = f"{first[i]}; {second[i]}"
    return found


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
    def open(self) -> NDArray[np.bool_]:
        return np.asarray((self.margin.low < 0.0) & (self.margin.high >= 0.0))

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
    """(n,) MEETS, MISSES or NOT_JUDGED: one sure miss is a miss whatever else is unknown."""
    missed = np.logical_or.reduce([r.missed for r in requirements])
    open_ = np.logical_or.reduce([r.open for r in requirements])
    return np.where(missed, MISSES, np.where(open_, NOT_JUDGED, MEETS)).astype(np.int8)


def remoteness(requirements: Sequence[Requirement]) -> FloatArray:
    """(n,) how far a speaker misses: the sum of its sure misses, each in units of what still counts as near."""
    parts = [np.where(r.missed, -r.margin.high / r.near, 0.0) for r in requirements]
    return np.asarray(np.sum(parts, axis=0))


def is_near(requirements: Sequence[Requirement]) -> NDArray[np.bool_]:
    """(n,) whether each sure miss is a near one."""
    return np.asarray(np.logical_and.reduce([~r.missed | (-r.margin.high <= r.near) for r in requirements]))
