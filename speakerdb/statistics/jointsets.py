"""What holds for the places of all speakers at once: the critical value that no pair of p speakers exceeds by chance,
95 times of 100.

Put into `places` in place of the one for a single pair, it gives ranges that hold together. Only they may back "the
best of all", and what is said of those who come first in a field that is mostly noise.

Source: M. Mogstad, J. P. Romano, A. M. Shaikh, D. Wilhelm, "Inference for Ranks with Applications to Mobility across
Neighbourhoods and Academic Achievement across Countries", Review of Economic Studies 91(1), 2024, 476-518.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.error_model import MODEL_VERSION
from speakerdb.statistics.fields import generator
from speakerdb.statistics.intervals import standard_error
from speakerdb.statistics.places import CRITICAL, Scores

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEVEL = 0.95
_CHUNK = 500_000  # differences at a time, so that what is at work stays in the processor's reach


def critical_value(scores: Scores, draws: NDArray[np.floating[Any]]) -> float:
    """The c with (x_k − x_j − truth) ≤ c·d for all pairs of p speakers at once, with probability LEVEL.

    draws (p, B): the own errors of each value, whatever they are centred on; their size is that of the scores, so that
    only their law counts. The largest standardized difference in each draw has c as its order statistic; c·(1 + (c² −
    1)/(4·B)) allows for the variances' coming from B draws. Never less than the c of one pair. A value that is one of
    two is a mixture of normals (as in places), so normal errors stand for its own. Simulated, 94.1 to 96.9 % of fields
    hold; 91.8 % where errors have rare outliers, of which B draws tell too little (the joint places then hold in 97.8
    %).

    >>> from speakerdb.statistics.places import exact
    >>> draws = np.random.default_rng(1).normal(size=(50, 400))
    >>> round(critical_value(exact(np.zeros(50), 1.0), draws), 1)
    4.0
    """
    if len(scores) < 2:
        return CRITICAL
    v, deviation = scores.main.v, _deviation(scores, draws)
    if _benches_differ(scores):
        largest = _range(deviation, v)
    else:
        order = np.lexsort((scores.x, v))
        largest = largest_difference(deviation[order], v[order])
    c = float(order_statistic(largest))
    return float(max(c * (1.0 + (c**2 - 1.0) / (4.0 * draws.shape[1])), CRITICAL))


def _benches_differ(scores: Scores) -> bool:
    present = np.unique(scores.benches.pattern)
    return bool((scores.benches.tau > 0).any() and (scores.benches.factor[np.ix_(present, present)] > 0).any())


def _range(deviation: NDArray[np.float32], v: FloatArray) -> FloatArray:
    """(B,): Tukey's range of errors e (p, B) in units of their own standard deviation, over √2.

    It stands for the largest standardized difference where pairs of speakers share errors of benches, each pair in its
    own degree: at unequal variances, correlated or not, that one is no larger (the Tukey–Kramer conjecture; for
    independent errors proved by A. J. Hayter, Annals of Statistics 12(1), 1984, 61-75).
    """
    sd = np.sqrt(v)[:, None]
    unit = np.divide(deviation, sd, out=np.zeros(deviation.shape), where=sd > 0)
    return np.asarray(np.ptp(unit, axis=0) / math.sqrt(2.0))


def _deviation(scores: Scores, draws: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """(p, B) draws less their mean, of the variance of the scores; of values that are one of two, normal errors of one
    branch."""
    centred = draws - draws.mean(axis=1, keepdims=True, dtype=np.float64)
    se = standard_error(centred)
    size = np.divide(np.sqrt(scores.v), se, out=np.zeros(len(se)), where=se > 0)
    found: NDArray[np.float32] = (centred * size[:, None]).astype(np.float32)
    two = np.flatnonzero(scores.branched)
    two = two[np.lexsort((scores.v[two], scores.x[two]))]  # whatever the order of the rows, the same numbers
    normal = generator("joint places", "branches", MODEL_VERSION).standard_normal(
        (len(two), draws.shape[1]), np.float32
    )
    found[two] = normal * np.sqrt(scores.v[two])[:, None]
    return found


def order_statistic(values: NDArray[np.floating[Any]]) -> FloatArray:
    """The ⌈LEVEL·(B+1)⌉-th smallest of B values along the last axis: an exact bound for one more draw like them.

    >>> order_statistic(np.arange(1.0, 400.0)).tolist()
    380.0
    """
    count = values.shape[-1]
    place = min(math.ceil(LEVEL * (count + 1)), count) - 1
    bound: FloatArray = np.partition(values, place, axis=-1)[..., place].astype(np.float64)
    return bound


def largest_difference(deviation: NDArray[np.float32], v: FloatArray) -> FloatArray:
    """(B,): in each draw the largest of (e_k − e_j)/√(v_j + v_k) over all pairs; e = deviation (p, B), rows in rising
    order of v (p,).

    Only a row that is above (or below) all with less variance can make it: any other falls short of one of those in
    both.
    """
    high, low = np.ones(deviation.shape, bool), np.ones(deviation.shape, bool)
    high[1:] = deviation[1:] > np.maximum.accumulate(deviation, axis=0)[:-1]
    low[1:] = deviation[1:] < np.minimum.accumulate(deviation, axis=0)[:-1]
    above, below = _listed(high), _listed(low)
    found = np.zeros(deviation.shape[1])
    step = max(1, _CHUNK // (above.shape[1] * below.shape[1]))
    for first in range(0, len(found), step):
        part = slice(first, first + step)
        x = deviation[:, part].T.astype(np.float64)
        gap = np.take_along_axis(x, above[part], 1)[:, :, None] - np.take_along_axis(x, below[part], 1)[:, None, :]
        squared = v[above[part]][:, :, None] + v[below[part]][:, None, :]
        ratio = np.divide(np.maximum(gap, 0.0) ** 2, squared, out=np.zeros_like(gap), where=squared > 0)
        found[part] = np.sqrt(ratio.max(axis=(1, 2)))
    return found


def _listed(there: NDArray[np.bool_]) -> IntArray:
    """(p, B) marks as (B, R) rows, R the most in a draw; draws with fewer repeat their first."""
    draw, row = np.nonzero(np.ascontiguousarray(there.T))
    count = np.bincount(draw, minlength=there.shape[1])
    start = np.cumsum(count) - count
    rows = np.repeat(row[start][:, None], count.max(), axis=1)
    rows[draw, np.arange(len(draw)) - start[draw]] = row
    return rows
