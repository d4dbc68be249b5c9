"""Values that may be bounds: "≥ 105" stays "≥ 105" through every step that is taken with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int8]

EXACT, AT_MOST, AT_LEAST, BETWEEN = 0, 1, 2, 3  # as in metric.CENSORED


@dataclass(frozen=True, eq=False)
class Bounded:
    """value (...), NaN where unknown; code (...): whether it is exact, an upper bound (at most), a lower one (at
    least), or the lower end of what is known of it (between). upper (...): the upper end of those, NaN elsewhere;
    None: there are none."""

    value: Array
    code: Codes
    upper: Array | None = None

    def __getitem__(self, key: Any) -> Bounded:
        return Bounded(self.value[key], self.code[key], None if self.upper is None else self.upper[key])

    def plus(self, shift: Array | float) -> Bounded:
        """Moved by something exact."""
        return Bounded(self.value + shift, self.code, None if self.upper is None else self.upper + shift)


def exact(value: Array) -> Bounded:
    """Values that are no bounds."""
    return Bounded(value, np.zeros(np.shape(value), np.int8))


def flagged(value: Array, bound: NDArray[np.bool_], code: int) -> Bounded:
    """Values that are bounds of one side where so flagged."""
    return Bounded(value, np.where(bound, code, EXACT).astype(np.int8))


def _ends(b: Bounded) -> tuple[Array, Array]:
    """A value as an interval: exact [v, v], at most (−∞, v], at least [v, ∞)."""
    return np.where(b.code == AT_MOST, -np.inf, b.value), np.where(b.code == AT_LEAST, np.inf, b.value)


def from_ends(lower: Array, upper: Array, same: float = 0.0) -> Bounded:
    """What an interval [lower, upper] says (...), its ends infinite where open: unknown where both are. Ends no further
    apart than `same` are one value."""
    below, above = np.isneginf(lower), np.isposinf(upper)
    with np.errstate(invalid="ignore"):
        apart = ~below & ~above & (upper - lower > same)
    unknown = (below & above) | np.isnan(lower) | np.isnan(upper)
    code = np.select([unknown, below, above, apart], [EXACT, AT_MOST, AT_LEAST, BETWEEN], EXACT).astype(np.int8)
    value = np.where(unknown, np.nan, np.where(below, upper, lower))
    return Bounded(value, code, np.where(code == BETWEEN, upper, np.nan))


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


def mixed(a: Array, b: Array, share: Array | float) -> Array:
    """a·(1 − share) + b·share, of ends that may be infinite: what has no share does not count."""
    with np.errstate(invalid="ignore"):
        both = a * (1.0 - share) + b * share
    return np.where(np.less_equal(share, 0.0), a, np.where(np.greater_equal(share, 1.0), b, both))
