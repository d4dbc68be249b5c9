"""Groups against each other, censored values included: medians, a rank test, and the size of a difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
Bools = NDArray[np.bool_]
_NORMAL_95 = 1.959963984540054


@dataclass(frozen=True, eq=False)
class Survival:
    """The Kaplan-Meier estimate at its steps: value (m,) ascending, share above (m,), Greenwood's variance of ln share (m,)."""

    value: FloatArray
    above: FloatArray
    variance: FloatArray


def _table(value: FloatArray, open_above: Bools) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distinct exact values, how many are equal to each, and how many at least as large (the known bounds among them)."""
    steps = np.unique(value[~open_above])
    equal = np.array([((value == s) & ~open_above).sum() for s in steps], float)
    at_risk = np.array([(value >= s).sum() for s in steps], float)
    return steps, equal, at_risk


def kaplan_meier(value: FloatArray, open_above: Bools) -> Survival:
    """Share of a group that exceeds each value (E. L. Kaplan, P. Meier, JASA 53, 1958). open_above: the true value is at least `value`;
    negate both values and meaning for 'at most'."""
    steps, equal, at_risk = _table(value, open_above)
    above = np.cumprod(1.0 - equal / at_risk)
    with np.errstate(divide="ignore"):
        variance = np.cumsum(equal / (at_risk * (at_risk - equal)))
    return Survival(steps, above, variance)


def median(value: FloatArray, open_above: Bools) -> tuple[float, float, float]:
    """Kaplan-Meier median with its 95 % interval (R. Brookmeyer, J. Crowley, Biometrics 38, 1982, on the log-log scale).

    Infinite where so many are censored that half the group is never exceeded.
    """
    s = kaplan_meier(value, open_above)

    def first(below: Bools) -> float:
        return float(s.value[np.argmax(below)]) if below.any() else np.inf

    with np.errstate(divide="ignore", invalid="ignore"):
        loglog = np.log(-np.log(s.above))
        sd = np.sqrt(s.variance) / np.abs(np.log(s.above))
        distance = (loglog - np.log(np.log(2.0))) / sd
    distance = np.where(s.above <= 0, np.inf, distance)
    # where the share is exactly one half over a stretch, the median is its middle
    at = first(s.above <= 0.5 + 1e-12)
    half = np.flatnonzero(np.abs(s.above - 0.5) < 1e-12)
    if len(half) and half[0] + 1 < len(s.value):
        at = float((s.value[half[0]] + s.value[half[0] + 1]) / 2.0)
    return at, first(distance >= -_NORMAL_95), first(distance > _NORMAL_95)


def peto_prentice(value: FloatArray, open_above: Bools, group: NDArray[np.int64]) -> tuple[float, float]:
    """(χ², p) of the generalized Wilcoxon test of Peto and Prentice: are the groups' distributions equal?

    Weight: the share above, estimated as Π(1 − d/(n + 1)) (R. L. Prentice, P. Marek, Biometrics 35, 1979). Without censoring it is close to the
    rank test of Kruskal and Wallis.
    """
    from scipy.special import gammaincc

    steps, equal, at_risk = _table(value, open_above)
    weight = np.cumprod(1.0 - equal / (at_risk + 1.0))
    codes = np.unique(group)
    mine = np.array([[(value[group == c] >= s).sum() for s in steps] for c in codes], float)
    hits = np.array([[((value == s) & ~open_above & (group == c)).sum() for s in steps] for c in codes], float)
    u = (weight * (hits - mine * equal / at_risk)).sum(axis=1)
    share = mine / at_risk
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(at_risk > 1, weight**2 * equal * (at_risk - equal) / (at_risk - 1.0), 0.0)
    covariance = np.diag((each * share).sum(axis=1)) - np.einsum("t,it,jt->ij", each, share, share)
    freedom = len(codes) - 1
    if freedom < 1:
        return 0.0, 1.0
    statistic = float(u[:-1] @ np.linalg.pinv(covariance[:-1, :-1]) @ u[:-1])
    return statistic, float(gammaincc(freedom / 2.0, statistic / 2.0))


def hedges_g(a: FloatArray, b: FloatArray) -> float:
    """Difference of means a − b over the pooled standard deviation, with the small-sample factor 1 − 3/(4·df − 1).

    Source: L. V. Hedges, Journal of Educational Statistics 6(2), 1981. NaN with fewer than two in a group or no spread.
    """
    freedom = len(a) + len(b) - 2
    if min(len(a), len(b)) < 2:
        return float("nan")
    pooled = (a.var(ddof=1) * (len(a) - 1) + b.var(ddof=1) * (len(b) - 1)) / freedom
    if pooled <= 0:
        return float("nan")
    return float((a.mean() - b.mean()) / np.sqrt(pooled) * (1.0 - 3.0 / (4.0 * freedom - 1.0)))


def cliffs_delta(a_lower: FloatArray, a_upper: FloatArray, b_lower: FloatArray, b_upper: FloatArray) -> float:
    """Share of pairs in which a surely exceeds b minus the share in which b surely exceeds a (N. Cliff, Psychological Bulletin 114, 1993).

    Bounds are equal where exact, infinite where censored.
    """
    if not len(a_lower) or not len(b_lower):
        return float("nan")

    def above(low: FloatArray, high: FloatArray) -> int:
        """Pairs with low > high."""
        return int(np.searchsorted(np.sort(high), low, side="left").sum())

    return (above(a_lower, b_upper) - above(b_lower, a_upper)) / (len(a_lower) * len(b_lower))


def labels(codes: NDArray[Any]) -> NDArray[np.int64]:
    """Group names as codes 0, 1, … in alphabetical order."""
    return np.unique(codes.astype(str), return_inverse=True)[1].astype(np.int64)
