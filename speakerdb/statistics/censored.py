"""Values of which only a bound is known: Tobit regression, medians of groups, and whether two groups differ.

A value is lower … upper: equal where exact, infinite on the open side where it is a bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.regression import Fit, independent, least_squares

FloatArray = NDArray[np.float64]
_STEPS, _PRECISE = 100, 1e-10
_LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True, eq=False)
class Tobit:
    """The line, as of `regression.Fit`, and sigma, the standard deviation about it."""

    fit: Fit
    sigma: float


def tobit(lower: FloatArray, upper: FloatArray, design: FloatArray, cluster: NDArray[Any] | None = None) -> Tobit:
    """Line through values (n,) some of which are bounds, with normal errors, by maximum likelihood.

    design (n, k) of full column rank, the first column constant. cluster (n,): labels for a sandwich covariance as in
    `least_squares`. In γ = β/σ and θ = 1/σ the log likelihood is concave (R. J. Olsen, Econometrica 46(5), 1978, 1211-1215), so
    that Newton's steps find its one summit. Raises ValueError where the line can't be told from the data.
    """
    exact = lower == upper
    n, k = design.shape
    if int(exact.sum()) <= k or not independent(design[exact]).all():
        raise ValueError(f"{int(exact.sum())} exact values cannot carry {k} coefficients")
    # columns and values near unit size keep Newton's steps well scaled; undone at the end
    middle, spread = float(np.mean(lower[exact])), float(np.std(lower[exact])) or 1.0
    mean, size = design.mean(axis=0), design.std(axis=0)
    mean[0], size[0] = 0.0, 1.0
    x = (design - mean) / size
    low, high = (lower - middle) / spread, (upper - middle) / spread
    start = least_squares(low[exact], x[exact])
    theta = 1.0 / max(float(np.sqrt(np.mean(start.residual**2))), 1e-6)
    state = np.append(start.coefficient * theta, theta)
    for _ in range(_STEPS):
        value, score, curvature = _likelihood(low, high, x, state)
        step = np.linalg.solve(curvature, score.sum(axis=0))
        share = 1.0
        while state[-1] + share * step[-1] <= 0 or _likelihood(low, high, x, state + share * step)[0] < value - 1e-12:
            share /= 2.0
            if share < 1e-9:
                break
        state = state + share * step
        if np.abs(share * step).max() <= _PRECISE * max(1.0, float(np.abs(state).max())):
            break
    _, score, curvature = _likelihood(low, high, x, state)
    bread, df = np.linalg.inv(curvature), float(n - k - 1)
    if cluster is not None:
        labels = np.unique(cluster, return_inverse=True)[1].reshape(-1)
        number = int(labels.max()) + 1
        if number < 2:
            raise ValueError("one cluster only: its errors cannot be told from the line")
        total = np.zeros((number, k + 1))
        np.add.at(total, labels, score)
        factor = number / (number - 1) * (n - 1) / (n - k - 1)
        bread, df = factor * bread @ (total.T @ total) @ bread, float(number - 1)
    sigma = 1.0 / state[-1]
    beta = state[:-1] * sigma
    # β = γ/θ, then back to the given units
    turn = np.column_stack([np.eye(k) * sigma, -beta * sigma])
    back = np.diag(spread / size)
    back[0, 1:] = -spread * mean[1:] / size[1:]
    coefficient = back @ beta
    coefficient[0] += middle
    covariance = back @ turn @ bread @ turn.T @ back.T
    residual = np.where(exact, np.where(exact, lower, 0.0) - design @ coefficient, np.nan)
    return Tobit(Fit(coefficient, covariance, residual, df, np.nan), float(sigma) * spread)


def _likelihood(
    low: FloatArray, high: FloatArray, x: FloatArray, state: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log likelihood, its score per row (n, k + 1) and minus its second derivative at state = (γ, θ)."""
    from scipy.special import log_ndtr

    exact, above = low == high, np.isposinf(high)
    below = np.isneginf(low)
    bounded = above | below
    at = np.where(above, low, high)
    at = np.where(above & below, 0.0, at)
    z = state[-1] * at - x @ state[:-1]
    side = np.where(above, -z, z)  # a bound from below: the chance of lying above it
    with np.errstate(over="ignore"):
        mills = np.exp(-0.5 * side**2 - 0.5 * _LOG_2PI - log_ndtr(side))
    known = ~(above & below)
    value = float(
        np.sum(np.where(exact, -0.5 * z**2 + np.log(state[-1]), np.where(bounded & known, log_ndtr(side), 0.0)))
    )
    slope = np.where(exact, -z, np.where(above, -mills, mills)) * known
    bend = np.where(exact, 1.0, mills * (mills + side)) * known
    rows = np.column_stack([-x, at])
    score = slope[:, None] * rows
    score[:, -1] += exact / state[-1]
    curvature = rows.T @ (bend[:, None] * rows)
    curvature[-1, -1] += float(exact.sum()) / state[-1] ** 2
    return value, score, curvature


@dataclass(frozen=True, eq=False)
class Median:
    """Median of a group with a 95 % interval; infinite ends are open, an infinite value says that it lies beyond all bounds."""

    value: float
    low: float
    high: float


def kaplan_meier(value: FloatArray, event: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times (m,) of events, the share S (m,) that lies above each, and Greenwood's sum Σ d/(n·(n − d)) (m,).

    value (n,); event (n,): True where exact, False where the true one lies above. Source: E. L. Kaplan, P. Meier, Journal of the
    American Statistical Association 53, 1958, 457-481.
    """
    time = np.unique(value[event])
    ordered = np.sort(value)
    risk = len(value) - np.searchsorted(ordered, time, side="left")
    died = np.unique(value[event], return_counts=True)[1]
    share = np.asarray(np.cumprod(1.0 - died / risk), np.float64)
    with np.errstate(divide="ignore"):
        greenwood = np.cumsum(died / (risk * (risk - died).astype(np.float64)))
    return time, share, greenwood


def median(lower: FloatArray, upper: FloatArray) -> Median:
    """Kaplan-Meier median of values with bounds on one side, interval where S ± 1.96 standard errors (of log(−log S)) pass 1/2.

    With bounds on both sides only what is sure: between the medians of all lower and of all upper ends.
    """
    above, below = np.isposinf(upper), np.isneginf(lower)
    if above.any() and below.any():
        least, most = float(np.median(lower)), float(np.median(upper))
        return Median(np.nan, least, most)
    if below.any():
        mirrored = median(-upper, -lower)
        return Median(-mirrored.value, -mirrored.high, -mirrored.low)
    time, share, greenwood = kaplan_meier(lower, ~above)
    if not len(time):
        return Median(np.inf, float(np.min(lower, initial=np.inf)), np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = 1.96 * np.sqrt(greenwood) / np.abs(np.log(share))
        bottom, top = share ** np.exp(half), share ** np.exp(-half)
    bottom, top = (np.where(share <= 0, 0.0, s) for s in (bottom, top))

    def passes(curve: FloatArray) -> float:
        under = np.flatnonzero(curve <= 0.5)
        return float(time[under[0]]) if len(under) else np.inf

    return Median(_middle(time, share), passes(bottom), passes(top))


def _middle(time: FloatArray, share: FloatArray) -> float:
    """The time at which half lie above; midway to the next where S is exactly 1/2, as for an uncensored sample."""
    at = np.flatnonzero(share <= 0.5 + 1e-12)
    if not len(at):
        return np.inf
    i = int(at[0])
    flat = abs(share[i] - 0.5) <= 1e-12 and i + 1 < len(time)
    return float((time[i] + time[i + 1]) / 2.0) if flat else float(time[i])


def peto_prentice(lower: FloatArray, upper: FloatArray, second: NDArray[np.bool_]) -> tuple[float, float]:
    """Whether two groups differ where some values are bounds on one side: z (> 0: the second group lies higher), p two-sided.

    Log-rank test with weights S̃(t) = Π (n − d + 1)/(n + 1) over the pooled events up to t: without bounds it is the rank-sum test.
    Sources: R. Peto, J. Peto, Journal of the Royal Statistical Society A 135(2), 1972; R. L. Prentice, Biometrika 65(1), 1978.
    NaN where bounds stand on both sides or a group is empty.
    """
    above, below = np.isposinf(upper), np.isneginf(lower)
    if (above.any() and below.any()) or not second.any() or second.all():
        return np.nan, np.nan
    if below.any():
        z, p = peto_prentice(-upper, -lower, second)
        return -z, p
    time, at_risk, died, of_second, died_second = _tables(lower, ~above, second)
    weight = np.asarray(np.cumprod((at_risk - died + 1.0) / (at_risk + 1.0)), np.float64)
    return weighted_log_rank(at_risk, died, of_second, died_second, weight) if len(time) else (np.nan, np.nan)


Counts = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]


def _tables(value: FloatArray, event: NDArray[np.bool_], second: NDArray[np.bool_]) -> Counts:
    """At each distinct event: time, number at risk and dying, and the same of the second group."""
    time = np.unique(value[event])

    def at_risk(values: FloatArray) -> FloatArray:
        return (len(values) - np.searchsorted(np.sort(values), time, side="left")).astype(np.float64)

    def died(values: FloatArray) -> FloatArray:
        ordered = np.sort(values)
        return (np.searchsorted(ordered, time, side="right") - np.searchsorted(ordered, time, side="left")).astype(
            np.float64
        )

    return time, at_risk(value), died(value[event]), at_risk(value[second]), died(value[event & second])


def weighted_log_rank(
    at_risk: FloatArray, died: FloatArray, of_second: FloatArray, died_second: FloatArray, weight: FloatArray
) -> tuple[float, float]:
    """z and two-sided p of the weighted log-rank test; z > 0 where the second group dies later. All (m,), per distinct event."""
    from scipy.special import ndtr

    share = of_second / at_risk
    missed = float(np.sum(weight * (died * share - died_second)))
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(at_risk > 1, died * share * (1.0 - share) * (at_risk - died) / (at_risk - 1.0), 0.0)
    variance = float(np.sum(weight**2 * each))
    if variance <= 0:
        return np.nan, np.nan
    z = missed / np.sqrt(variance)
    return float(z), float(2.0 * ndtr(-abs(z)))
