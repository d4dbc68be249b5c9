"""Whether a value hangs on a near miss: draws that fall into two separate groups (statistics.md §2).

A dip near the threshold of a bass limit, or a pattern that just reaches −6 dB, gives one of two values, and errors of measurement decide
which. An interval over both then holds values that nobody would ever measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_SHARE = 0.05  # of the draws in the smaller group: fewer is a tail
LEAST_GAP_OCT = 0.1
_GAP_IN_SPREADS = 1.0  # the widest gap among 400 normal draws, tails left out, is about a fifth of their spread


@dataclass(frozen=True)
class Branches:
    """Medians of the lower and of the upper group, and the share of draws in the upper one."""

    lower: float
    upper: float
    upper_share: float


def branches(draws: NDArray[np.floating[Any]]) -> Branches | None:
    """The two groups into which positive draws (B,) fall on a scale of ratios; None where they are one.

    Groups are told apart by the widest gap between neighbours that leaves at least 5 % on both sides; it must be a tenth of an
    octave and as wide as the groups spread about their own means.

    >>> random = np.random.default_rng(1)
    >>> branches(40.0 * 2.0 ** (0.05 * random.standard_normal(400))) is None
    True
    >>> two = np.where(random.random(400) < 0.3, 60.0, 40.0) * 2.0 ** (0.05 * random.standard_normal(400))
    >>> found = branches(two)
    >>> round(found.lower), round(found.upper), round(found.upper_share, 1)
    (40, 60, 0.3)
    """
    if not np.isfinite(draws).all() or (draws <= 0).any():
        return None
    x = np.sort(np.log2(draws.astype(np.float64)))
    count = len(x)
    least = max(int(np.ceil(LEAST_SHARE * count)), 2)
    if count < 2 * least + 1:
        return None
    gaps = np.diff(x)[least - 1 : count - least]
    place = least + int(np.argmax(gaps))
    lower, upper = x[:place], x[place:]
    spread = float(np.sqrt((np.sum((lower - lower.mean()) ** 2) + np.sum((upper - upper.mean()) ** 2)) / count))
    if gaps.max() < max(LEAST_GAP_OCT, _GAP_IN_SPREADS * spread):
        return None
    return Branches(float(2.0 ** np.median(lower)), float(2.0 ** np.median(upper)), len(upper) / count)
