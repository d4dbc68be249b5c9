"""Values that are one of two: a dip just at the threshold, a pattern that just reaches −6 dB
(method:statistics#one-of-two-values).

Errors then decide which of the two is measured, and an interval over both would hold values that nobody would ever
measure. At most two branches are kept, each with its median, its spread and its share of the draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_SHARE = 0.02  # of the draws in the smaller group: fewer is a tail
LEAST_GAP_OCT = 0.1
_GAP_IN_SPREADS = 1.0  # the widest gap among 400 normal draws, tails left out, is about a fifth of their spread


@dataclass(frozen=True)
class Branch:
    """median, sd, low and high (2.5 and 97.5 %) of a group of draws on the working scale, and its share of all."""

    median: float
    sd: float
    low: float
    high: float
    share: float


def branches(draws: NDArray[np.floating[Any]], least_gap: float) -> tuple[Branch, Branch] | None:
    """The lower and the upper group into which finite draws (B,) fall; None where they are one.

    Groups are told apart by the widest gap between neighbours that leaves at least 2 % on both sides; it must be
    least_gap and as wide as the groups spread about their own means.

    >>> random = np.random.default_rng(1)
    >>> branches(5.3 + 0.05 * random.standard_normal(400), 0.1) is None
    True
    >>> lower, upper = branches(np.where(random.random(400) < 0.3, 6.0, 5.3) + 0.05 * random.standard_normal(400), 0.1)
    >>> round(lower.median, 1), round(upper.median, 1), round(upper.share, 1)
    (5.3, 6.0, 0.3)
    """
    x = np.sort(draws[np.isfinite(draws)].astype(np.float64))
    count = len(x)
    least = max(int(np.ceil(LEAST_SHARE * count)), 2)
    if count < 2 * least + 1:
        return None
    gaps = np.diff(x)[least - 1 : count - least]
    place = least + int(np.argmax(gaps))
    lower, upper = x[:place], x[place:]
    spread = float(np.sqrt((np.sum((lower - lower.mean()) ** 2) + np.sum((upper - upper.mean()) ** 2)) / count))
    if gaps.max() < max(least_gap, _GAP_IN_SPREADS * spread):
        return None
    return _branch(lower, count), _branch(upper, count)


def _branch(part: NDArray[np.float64], count: int) -> Branch:
    low, high = np.percentile(part, (2.5, 97.5))
    return Branch(float(np.median(part)), float(part.std()), float(low), float(high), len(part) / count)
