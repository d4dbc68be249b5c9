"""Straight lines through a field: least squares with clustered errors, what is expected of one left out, robust slopes.

n rows, k columns of the design matrix (a column of ones included where an intercept is wanted).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ALL_PAIRS_UP_TO = 2000  # rows above which Theil-Sen slopes come from a sample of the pairs
PAIRS = 2_000_000
_COLLINEAR = 1e-9  # share of a scaled column's length that the others must leave


@dataclass(frozen=True, eq=False)
class Fit:
    """coefficient (k,); covariance (k, k) of it; residual (n,); df: degrees of freedom of its t; r_squared about the mean."""

    coefficient: FloatArray
    covariance: FloatArray
    residual: FloatArray
    df: float
    r_squared: float

    @property
    def se(self) -> FloatArray:
        """(k,) standard errors."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    def interval(self, coverage: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """(k,), (k,): t intervals of the coefficients."""
        from scipy.special import stdtrit

        half = float(stdtrit(self.df, 0.5 + coverage / 2.0)) * self.se
        return self.coefficient - half, self.coefficient + half

    def p(self) -> FloatArray:
        """(k,) two-sided p of each coefficient being 0."""
        from scipy.special import stdtr

        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.abs(self.coefficient / self.se)
        return np.asarray(2.0 * stdtr(self.df, -np.where(np.isnan(t), 0.0, t)))

    def along(self, design: FloatArray, coverage: float = 0.95) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The line at rows of a design (m, k) with its band: fit, low, high (m,)."""
        from scipy.special import stdtrit

        fit = design @ self.coefficient
        variance = np.einsum("ij,jk,ik->i", design, self.covariance, design)
        half = float(stdtrit(self.df, 0.5 + coverage / 2.0)) * np.sqrt(np.maximum(variance, 0.0))
        return fit, fit - half, fit + half


def independent(design: FloatArray) -> NDArray[np.bool_]:
    """(k,) columns that those before them do not already give; the others cannot be told from them."""
    kept = np.zeros(design.shape[1], bool)
    basis = np.zeros((design.shape[0], 0))
    for j, column in enumerate(design.T):
        length = float(np.linalg.norm(column))
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)  # twice is enough for orthogonality
        left = float(np.linalg.norm(rest))
        if length > 0 and left > _COLLINEAR * length:
            kept[j] = True
            basis = np.column_stack([basis, rest / left])
    return kept


def least_squares(y: FloatArray, design: FloatArray, cluster: NDArray[Any] | None = None) -> Fit:
    """Least squares of y (n,) on a design (n, k) of full column rank, n > k.

    cluster (n,): labels of rows whose errors hang together (a maker's speakers): then the covariance is the sandwich
    G/(G−1)·(n−1)/(n−k) · (X'X)⁻¹ Σ_g X_g'u_g u_g'X_g (X'X)⁻¹ with G − 1 degrees of freedom (CR1; J. G. MacKinnon, M. Ø.
    Nielsen, M. D. Webb, Journal of Econometrics 232(2), 2023, 272-299, from memory). Raises ValueError where the design
    has no full rank, rows are too few, or there is one cluster only.

    >>> fit = least_squares(np.array([1.0, 3.0, 5.0, 7.0]), np.column_stack([np.ones(4), np.arange(4.0)]))
    >>> fit.coefficient.round(9).tolist()
    [1.0, 2.0]
    """
    n, k = design.shape
    if n <= k:
        raise ValueError(f"{n} rows cannot carry {k} coefficients")
    if not independent(design).all():
        raise ValueError("columns of the design cannot be told apart")
    x, back = _about_means(design)
    q, r = np.linalg.qr(x)
    inner = np.linalg.solve(r, q.T @ y)
    residual = y - x @ inner
    inverse = np.linalg.inv(r)
    bread = inverse @ inverse.T
    if cluster is None:
        covariance, df = bread * float(residual @ residual) / (n - k), float(n - k)
    else:
        labels = np.unique(cluster, return_inverse=True)[1].reshape(-1)
        number = int(labels.max()) + 1
        if number < 2:
            raise ValueError("one cluster only: its errors cannot be told from the line")
        score = np.zeros((number, k))
        np.add.at(score, labels, x * residual[:, None])
        factor = number / (number - 1) * (n - 1) / (n - k)
        covariance, df = factor * bread @ (score.T @ score) @ bread, float(number - 1)
    total = float(np.sum((y - y.mean()) ** 2))
    r_squared = 1.0 - float(residual @ residual) / total if total > 0 else 0.0
    return Fit(back @ inner, back @ covariance @ back.T, residual, df, r_squared)


def _about_means(design: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where the first column is constant: the others about their means, which saves digits, and the (k, k) matrix that turns
    coefficients of those into coefficients of the given ones."""
    back = np.eye(design.shape[1])
    if not (design[:, 0] == 1.0).all():
        return design, back
    mean = design[:, 1:].mean(axis=0)
    back[0, 1:] = -mean
    return np.column_stack([design[:, 0], design[:, 1:] - mean]), back


@dataclass(frozen=True, eq=False)
class Expected:
    """What a line leads one to expect of each row (n,): value, low, high; NaN where nothing else speaks for it."""

    value: FloatArray
    low: FloatArray
    high: FloatArray


def expected(y: FloatArray, design: FloatArray, used: NDArray[np.bool_], coverage: float = 0.95) -> Expected:
    """Least-squares expectation of every row with a t prediction interval, each row itself left out of its line.

    y (n,), design (n, k); used (n,): rows that make the line (y exact). With leverage h and residual e of a row, leaving
    it out gives the prediction y − e/(1 − h), the variance s² = (SSE − e²/(1 − h))/(m − 1 − k) and the prediction
    variance s²/(1 − h) (R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982). Rows not used are predicted from
    all that are. Columns that the used rows cannot tell apart are left out.
    """
    from scipy.special import stdtrit

    columns = independent(design[used])
    x = design[:, columns]
    m, k = int(used.sum()), int(columns.sum())
    nothing = np.full(len(y), np.nan)
    if m - 1 - k < 1:
        return Expected(nothing, nothing, nothing)
    q, r = np.linalg.qr(x[used])
    beta = np.linalg.solve(r, q.T @ y[used])
    known = design[:, ~columns] - x @ np.linalg.lstsq(x[used], design[used][:, ~columns], rcond=None)[0]
    foreign = (np.abs(known) > 1e-6).any(axis=1)  # e.g. the only one of its kind: the line says nothing of it
    lever = np.sum(np.linalg.solve(r.T, x.T) ** 2, axis=0)
    fit = x @ beta
    sse = float(np.sum((y[used] - fit[used]) ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = np.where(used, 1.0 - lever, 1.0)
        rest = np.where(rest < 1e-9, np.nan, rest)
        error = np.where(used, y - fit, 0.0)
        value = np.where(used, y - error / rest, fit)
        variance = np.where(used, (sse - error**2 / rest) / (m - 1 - k), sse / (m - k))
        spread = np.sqrt(np.maximum(variance, 0.0) * np.where(used, 1.0 / rest, 1.0 + lever))
    half = np.where(used, stdtrit(m - 1 - k, 0.5 + coverage / 2.0), stdtrit(m - k, 0.5 + coverage / 2.0)) * spread
    value = np.where(foreign, np.nan, value)
    return Expected(value, value - half, value + half)


def reliability(draws: NDArray[np.floating[Any]]) -> float:
    """Share of the variance of a property over the field that is not measurement error: draws (n, B).

    Below 1 a slope over that property is too flat by that factor.
    """
    x = draws.mean(axis=1, dtype=np.float64)
    total = float(np.var(x, ddof=1)) if len(x) > 1 else 0.0
    # an error that all share moves the field as a whole and flattens nothing
    own = float(np.mean(np.var(draws - draws.mean(axis=0), axis=1, ddof=1, dtype=np.float64)))
    return max(0.0, 1.0 - own / total) if total > 0 else 0.0


def theil_sen(
    x: FloatArray, y: FloatArray, rng: np.random.Generator, coverage: float = 0.95
) -> tuple[float, float, float]:
    """Median of the slopes of all pairs, with Sen's interval: slope, low, high; NaN where no x differ.

    Sources: H. Theil, 1950; P. K. Sen, Journal of the American Statistical Association 63, 1968, 1379-1389. Above
    2,000 rows the slopes of 2 million random pairs stand for all.
    """
    from scipy.special import ndtri

    n = len(x)
    if n <= ALL_PAIRS_UP_TO:
        i, j = np.triu_indices(n, 1)
    else:
        i, j = rng.integers(0, n, PAIRS), rng.integers(0, n, PAIRS)
    run = x[j] - x[i]
    apart = run != 0
    if not apart.any():
        return np.nan, np.nan, np.nan
    slopes = np.sort((y[j] - y[i])[apart] / run[apart])

    def ties(values: FloatArray) -> float:
        count = np.unique(values, return_counts=True)[1].astype(np.float64)
        return float(np.sum(count * (count - 1) * (2 * count + 5)))

    # variance of Kendall's score; its pairs are counted over all, whatever share of them was looked at
    sigma = np.sqrt(max(n * (n - 1) * (2.0 * n + 5) - ties(x) - ties(y), 0.0) / 18.0)
    pairs = (n * n - float(np.sum(np.unique(x, return_counts=True)[1].astype(np.float64) ** 2))) / 2.0
    half = float(ndtri(0.5 + coverage / 2.0)) * sigma / pairs
    count = len(slopes)
    low = min(max(round((1.0 - half) / 2.0 * count) - 1, 0), count - 1)
    high = min(round((1.0 + half) / 2.0 * count), count - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def quantile_line(
    x: FloatArray, y: FloatArray, quantile: float, weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Intercept and slope (r,), (r,) of the lines below which the share `quantile` of the points lies (linear quantile
    regression; R. Koenker, G. Bassett, Econometrica 46(1), 1978, 33-50).

    weight (r, n): one line for each row of weights; None: one line. For a given slope the best intercept is the weighted
    quantile of y − slope·x; the loss is then convex in the slope alone, whose least place is found by halving.
    """
    weights = np.ones((1, len(x))) if weight is None else np.asarray(weight, np.float64)
    centre = float(np.mean(x))
    u = x - centre
    closest = float(np.min(np.diff(np.unique(x)), initial=np.inf))
    steepest = float(np.ptp(y)) / closest  # of the lines through two points, among which the best one is
    low, high = np.full(len(weights), -steepest), np.full(len(weights), steepest)
    for _ in range(_HALVINGS):
        slope = (low + high) / 2.0
        rising = _at_quantile(y - slope[:, None] * u, u, weights, quantile)[1] >= 0
        low, high = np.where(rising, low, slope), np.where(rising, slope, high)
    slope = (low + high) / 2.0
    return _at_quantile(y - slope[:, None] * u, u, weights, quantile)[0] - slope * centre, slope


_HALVINGS = 80


def _at_quantile(rest: FloatArray, u: FloatArray, weight: FloatArray, quantile: float) -> tuple[FloatArray, FloatArray]:
    """(r,) the weighted quantile of each row of rest (r, n), and how the loss changes with the slope over u (n,) there."""
    order, rows = np.argsort(rest, axis=1), np.arange(len(rest))
    sorted_weight = np.take_along_axis(weight, order, axis=1)
    cumulated = np.cumsum(sorted_weight, axis=1)
    target = quantile * cumulated[:, -1]
    place = np.argmax(cumulated >= target[:, None] * (1.0 - 1e-12), axis=1)
    moment = sorted_weight * u[order]
    below = np.cumsum(moment, axis=1)[rows, place] - moment[rows, place]
    # the point at the quantile counts on both sides, with the share of its weight that balances the line
    share = target - cumulated[rows, place] + sorted_weight[rows, place]
    middle = order[rows, place]
    return rest[rows, middle], below + u[middle] * share - quantile * moment.sum(axis=1)
