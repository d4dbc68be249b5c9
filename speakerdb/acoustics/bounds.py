"""Values that may be bounds: "≥ 105" stays "≥ 105" through every step that is taken with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int8]

EXACT, AT_MOST, AT_LEAST = 0, 1, 2  # as in metric.CENSORED


@dataclass(frozen=True, eq=False)
class Bounded:
    """value (...), NaN where unknown; code (...): whether it is exact, an upper bound (at most) or a lower one (at
    least)."""

    value: Array
    code: Codes

    def __getitem__(self, key: Any) -> Bounded:
        return Bounded(self.value[key], self.code[key])

    def plus(self, shift: Array | float) -> Bounded:
        """Moved by something exact."""
        return Bounded(self.value + shift, self.code)


def exact(value: Array) -> Bounded:
    """Values that are no bounds."""
    return Bounded(value, np.zeros(np.shape(value), np.int8))


def flagged(value: Array, bound: NDArray[np.bool_], code: int) -> Bounded:
    """Values that are bounds of one side where so flagged."""
    return Bounded(value, np.where(bound, code, EXACT).astype(np.int8))


def _ends(b: Bounded) -> tuple[Array, Array]:
    """A value as an interval: exact [v, v], at most (−∞, v], at least [v, ∞)."""
    return np.where(b.code == AT_MOST, -np.inf, b.value), np.where(b.code == AT_LEAST, np.inf, b.value)


def _from_ends(lower: Array, upper: Array) -> Bounded:
    """The bound that says most of an interval whose ends may be open; NaN ends are unknown."""
    at_most = np.isneginf(lower)
    code = np.where(at_most, AT_MOST, np.where(lower < upper, AT_LEAST, EXACT)).astype(np.int8)
    return Bounded(np.where(at_most, upper, lower), code)


def lowest(b: Bounded) -> Bounded:
    """The lowest along the last axis, (..., n) -> (...); unknown where any of them is.

    It lies between the lowest lower and the lowest upper end: a bound from above stays one, a bound from below matters
    only where no exact value is lower.
    """
    if b.value.shape[-1] == 0:
        return exact(np.full(b.value.shape[:-1], np.nan))
    lower, upper = _ends(b)
    return _from_ends(lower.min(axis=-1), upper.min(axis=-1))


def lower_of(a: Bounded, b: Bounded) -> Bounded:
    """The lower of two, element by element; unknown where either is."""
    (a_lower, a_upper), (b_lower, b_upper) = _ends(a), _ends(b)
    return _from_ends(np.minimum(a_lower, b_lower), np.minimum(a_upper, b_upper))


def between(a: Bounded, b: Bounded, share: Array | float) -> Bounded:
    """a·(1 − share) + b·share; a bound if either is one that counts, unknown where the two are bounds from opposite
    sides."""
    mixed = a.value * (1.0 - share) + b.value * share
    value = np.where(np.less_equal(share, 0.0), a.value, np.where(np.greater_equal(share, 1.0), b.value, mixed))
    a_code, b_code = np.where(np.less(share, 1.0), a.code, EXACT), np.where(np.greater(share, 0.0), b.code, EXACT)
    opposite = (a_code != EXACT) & (b_code != EXACT) & (a_code != b_code)
    code = np.where(opposite | np.isnan(value), EXACT, np.maximum(a_code, b_code)).astype(np.int8)
    return Bounded(np.where(opposite, np.nan, value), code)
