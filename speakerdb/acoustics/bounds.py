"""Values that may be bounds: "≥ 105" stays "≥ 105" through every step that is taken with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int8]

EXACT, AT_MOST, AT_LEAST = 0, 1, 2  # as in the dictionary's CENSORED


@dataclass(frozen=True, eq=False)
class Bounded:
    """value (...), NaN where unknown; code (...): whether it is exact, an upper bound (at most) or a lower one (at least)."""

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


def lowest(b: Bounded) -> Bounded:
    """The lowest along the last axis, (..., n) -> (...); unknown where any of them is.

    A value is an interval: exact [v, v], at most (−∞, v], at least [v, ∞). The lowest lies between the lowest lower and the
    lowest upper end: a bound from above stays one, a bound from below matters only where no exact value is lower.
    """
    if b.value.shape[-1] == 0:
        return exact(np.full(b.value.shape[:-1], np.nan))
    upper = np.where(b.code == AT_LEAST, np.inf, b.value).min(axis=-1)
    lower = np.where(b.code == AT_MOST, -np.inf, b.value).min(axis=-1)
    code = np.where(np.isneginf(lower), AT_MOST, np.where(lower < upper, AT_LEAST, EXACT)).astype(np.int8)
    value = np.where(code == AT_MOST, upper, lower)
    unknown = np.isnan(b.value).any(axis=-1)
    return Bounded(np.where(unknown, np.nan, value), np.where(unknown, EXACT, code).astype(np.int8))


def lower_of(a: Bounded, b: Bounded) -> Bounded:
    """The lower of two, element by element."""
    a_value, b_value = np.broadcast_arrays(a.value, b.value)
    a_code, b_code = np.broadcast_arrays(a.code, b.code)
    return lowest(Bounded(np.stack([a_value, b_value], axis=-1), np.stack([a_code, b_code], axis=-1)))


def between(a: Bounded, b: Bounded, share: float) -> Bounded:
    """a·(1 − share) + b·share; a bound if either is one that counts, unknown where the two are bounds from opposite sides."""
    value = a.value * (1.0 - share) + b.value * share
    a_code = a.code if share < 1.0 else np.zeros_like(a.code)
    b_code = b.code if share > 0.0 else np.zeros_like(b.code)
    opposite = (a_code != EXACT) & (b_code != EXACT) & (a_code != b_code)
    code = np.where(opposite | np.isnan(value), EXACT, np.maximum(a_code, b_code)).astype(np.int8)
    return Bounded(np.where(opposite, np.nan, value), code)
