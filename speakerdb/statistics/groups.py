"""Groups, censored values included: their medians, the scores of a rank test, and the size of a difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics import clusters

FloatArray = NDArray[np.float64]
Bools = NDArray[np.bool_]
LEAST_FOR_INTERVAL = 6  # the least and the largest of five hold the median in 94 of 100 samples, of six in 97


@dataclass(frozen=True, eq=False)
class Survival:
    """The Kaplan-Meier estimate at its steps: value (m,) ascending, equal and at_risk (m,) how many are equal to each
    and at least as large (the known bounds among them), above (m,) the share above, variance (m,) Greenwood's of its
    logarithm."""

    value: FloatArray
    equal: FloatArray
    at_risk: FloatArray
    above: FloatArray
    variance: FloatArray

    @property
    def median(self) -> float:
        """The first value that half the group or less exceeds; infinite where so many are censored that there is
        none."""
        half = np.flatnonzero(np.abs(self.above - 0.5) < 1e-12)
        # where the share is exactly one half over a stretch, the median is its middle
        if len(half) and half[0] + 1 < len(self.value):
            return float((self.value[half[0]] + self.value[half[0] + 1]) / 2.0)
        return self._first(self.above <= 0.5 + 1e-12)

    def median_interval(self, critical: float) -> tuple[float, float]:
        """(low, high) of the median on the log-log scale (R. Brookmeyer, J. Crowley, Biometrics 38, 1982), `critical`
        standard errors wide to either side; infinite where the group is not followed so far."""
        with np.errstate(divide="ignore", invalid="ignore"):
            loglog = np.log(-np.log(self.above))
            sd = np.sqrt(self.variance) / np.abs(np.log(self.above))
            distance = (loglog - np.log(np.log(2.0))) / sd
        distance = np.where(self.above <= 0, np.inf, distance)
        return self._first(distance >= -critical), self._first(distance > critical)

    def _first(self, reached: Bools) -> float:
        return float(self.value[np.argmax(reached)]) if reached.any() else np.inf


def kaplan_meier(value: FloatArray, open_above: Bools) -> Survival:
    """Share of a group that exceeds each value (E. L. Kaplan, P. Meier, JASA 53, 1958). open_above: the true value is
    at least `value`; negate both values and meaning for 'at most'."""
    steps, equal = np.unique(value[~open_above], return_counts=True)
    at_risk = len(value) - np.searchsorted(np.sort(value), steps, side="left")
    above: FloatArray = np.asarray(np.cumprod(1.0 - equal / at_risk), np.float64)
    with np.errstate(divide="ignore"):
        variance = np.cumsum(equal / (at_risk * (at_risk - equal)))
    return Survival(steps, equal.astype(float), at_risk.astype(float), above, variance)


def median_freedom(value: FloatArray, open_above: Bools, cluster: NDArray[np.int64]) -> tuple[float, float]:
    """(degrees of freedom, factor on the variance) for a median's interval where rows of one cluster (n,) are alike.

    The factor is the clustered variance of the share above, at the median, over Greenwood's, from each row's influence
    on the estimate (as in R. S. Woodruff, JASA 47, 1952, for samples in clusters); at least 1. Freedom as
    `clusters.Clustered`; 0 where there is no median.
    """
    s = kaplan_meier(value, open_above)
    # at the last step nobody is left, and the estimate has no variance there
    known = np.flatnonzero((s.above > 0) & (s.above <= 0.5 + 1e-12))[:1]
    if not len(known):
        known = np.flatnonzero(s.above > 0)[-1:]
    if not len(known) or not np.isfinite(s.median):
        return 0.0, 1.0
    at = int(known[0])
    left = 1.0 / (s.at_risk - s.equal)[: at + 1]
    hazard = np.append(0.0, np.cumsum((s.equal / s.at_risk)[: at + 1] * left))
    influence = hazard[np.searchsorted(s.value[: at + 1], value, side="right")]
    hit = ~open_above & (value <= s.value[at])
    influence[hit] -= left[np.searchsorted(s.value, value[hit])]
    n = len(value)
    size = clusters.sums(cluster, np.ones(n))
    # the scores n·influence and the information n of an estimate of a mean
    found = clusters.Clustered.of(size[:, None, None], clusters.sums(cluster, n * influence)[:, None]).estimates(
        np.zeros(1), np.ones((1, 1))
    )
    return float(found.df[0]), max(1.0, float(found.se[0] ** 2 / s.variance[at]))


def prentice_scores(value: FloatArray, open_above: Bools) -> FloatArray:
    """(n,) scores of the generalized Wilcoxon test of Peto and Prentice: their sum over a group is its test statistic.

    Weight: the share above, estimated as Π(1 − d/(n + 1)) (R. L. Prentice, P. Marek, Biometrics 35, 1979); large for
    low values. Without censoring close to the scores of the rank test of Kruskal and Wallis.
    """
    s = kaplan_meier(value, open_above)
    weight = np.cumprod(1.0 - s.equal / (s.at_risk + 1.0))
    expected = np.append(0.0, np.cumsum(weight * s.equal / s.at_risk))
    score = -expected[np.searchsorted(s.value, value, side="right")]
    score[~open_above] += weight[np.searchsorted(s.value, value[~open_above])]
    return np.asarray(score)


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
    """Share of pairs in which a surely exceeds b minus the share in which b surely exceeds a (N. Cliff, Psychological
    Bulletin 114, 1993).

    Bounds are equal where exact, infinite where censored.
    """
    if not len(a_lower) or not len(b_lower):
        return float("nan")

    def above(low: FloatArray, high: FloatArray) -> int:
        """Pairs with low > high."""
        return int(np.searchsorted(np.sort(high), low, side="left").sum())

    return (above(a_lower, b_upper) - above(b_lower, a_upper)) / (len(a_lower) * len(b_lower))
