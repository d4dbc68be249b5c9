"""Did it change over the years, with price, with size? The slope of a metric over a quantity, a row per speaker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.analysis import properties
from speakerdb.analysis.by_maker import Rows, cautions, effect, few, slope, unit, unknown
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.properties import LINE_POINTS, LINE_SCHEMA, Property
from speakerdb.statistics import regression
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.fields import generator
from speakerdb.statistics.regression import Fit

FloatArray = NDArray[np.float64]
LEAST_RELIABILITY = 0.9
NOMINAL = "price trends are not adjusted for inflation"
SLOPE_SCHEMA = {
    "metric": pl.String,
    "over": pl.String,
    "speakers": pl.Int64,
    "makers": pl.Int64,
    "labs": pl.Int64,
    "censored": pl.Int64,
    "effect": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "df": pl.Float64,
    "unit": pl.String,
    "per": pl.String,
    "p": pl.Float64,
    "q": pl.Float64,
    "theil_sen": pl.Float64,
    "reliability": pl.Float64,
    "method": pl.String,
    "reason": pl.String,
}
GROUP_SCHEMA = {
    "metric": pl.String,
    "over": pl.String,
    "group": pl.String,
    "speakers": pl.Int64,
    "makers": pl.Int64,
    "censored": pl.Int64,
    "median": pl.Float64,
    "median_censored": pl.String,
    "median_low": pl.Float64,
    "median_high": pl.Float64,
    "median_reason": pl.String,
    "difference": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "df": pl.Float64,
    "unit": pl.String,
    "reason": pl.String,
    "makers_of_both": pl.Int64,
    "p": pl.Float64,
    "q": pl.Float64,
    "p_reason": pl.String,
    "hedges_g": pl.Float64,
    "cliffs_delta": pl.Float64,
    "p_all_groups": pl.Float64,
    "q_all_groups": pl.Float64,
    "all_groups_reason": pl.String,
    "method": pl.String,
}


@dataclass(frozen=True, eq=False)
class Trend:
    """slopes (SLOPE_SCHEMA) over a quantity, or groups (GROUP_SCHEMA) over a grouping, the other empty; points:
    speaker, x, y, censored; line: x, fit, low, high; unknown: speaker, setting, reason; cautions.

    A slope or difference whose makers are too few has no interval and no p, and the reason. p of a group, p_all_groups:
    by permutation within makers; makers_of_both have speakers in the group and outside.
    """

    slopes: pl.DataFrame
    groups: pl.DataFrame
    points: pl.DataFrame
    line: pl.DataFrame
    unknown: pl.DataFrame
    cautions: tuple[str, ...]


def _per(x: Property) -> tuple[str, float]:
    """What a slope is given per, and how many units of the working scale that is."""
    if x.log:
        return f"doubling of {x.name}", 1.0
    return ("10 years", 10.0) if x.id == "year" else (f"1 {x.unit}", 1.0)


def over_quantity(c: MetricColumn, x: Property) -> Trend:
    """The slope of a metric over x, a property of the same speakers, with its 95 % interval that allows for makers;
    Theil-Sen's beside it."""
    y = properties.of_metric(c)
    rows = np.flatnonzero(x.exact & y.known)
    r = Rows.of(c, y, rows)
    sx = x.scaled(x.value[rows])
    middle = float(sx.mean()) if len(sx) else 0.0
    per, units = _per(x)
    row: dict[str, Any] = {
        "metric": y.id,
        "over": x.id,
        "speakers": len(rows),
        "makers": r.makers,
        "labs": r.labs,
        "censored": r.censored,
        "unit": unit(y),
        "per": per,
        "method": r.method + (", unaligned benches as fixed effects" if r.bench.shape[1] else ""),
    }
    fit = r.too_little("a trend") or r.fit(sx - middle, benches=True)
    line = pl.DataFrame(schema=LINE_SCHEMA)
    if isinstance(fit, str):
        row["reason"] = fit
    else:
        row |= slope(fit, y, units)
        row["reason"] = few(row["df"], r.makers)
        if not r.censored:
            sen = regression.theil_sen(sx, r.y, generator("theil-sen pairs", f"{x.id}|{y.id}", 1))
            row["theil_sen"] = effect(y, sen * units)
        if row["reason"] is None:
            line = _line(fit, sx, middle, x, y)
    row["reliability"] = _reliability(x, rows)
    points = pl.DataFrame(
        {
            "speaker": c.facts["speaker"][rows],
            "x": x.value[rows],
            "y": y.value[rows],
            "censored": y.censored[rows].tolist(),
        }
    )
    told = [*cautions(c, r), *([NOMINAL] if x.id == "price" else [])]
    if row["reliability"] is not None and row["reliability"] < LEAST_RELIABILITY:
        told.append(
            f"{figures.probability(1 - row['reliability'])} of the variance of {x.name} is measurement "
            "error: the slope is too flat by about as much"
        )
    return Trend(
        pl.DataFrame([row], schema=SLOPE_SCHEMA),
        pl.DataFrame(schema=GROUP_SCHEMA),
        points,
        line,
        unknown(c.facts, y, x),
        tuple(told),
    )


def _line(fit: Fit, sx: FloatArray, middle: float, x: Property, y: Property) -> pl.DataFrame:
    """The fitted line, benches at their mean, with its band; open where the makers are too few for it."""
    at = np.linspace(sx.min(), sx.max(), LINE_POINTS)
    basis = np.zeros((LINE_POINTS, len(fit.coefficient)))
    basis[:, 0], basis[:, 1] = 1.0, at - middle
    found = fit.estimates(basis)
    height, half = found.value, found.half_width
    line = {
        "x": x.unscaled(at),
        "fit": y.unscaled(height),
        "low": y.unscaled(height - half),
        "high": y.unscaled(height + half),
    }
    return pl.DataFrame(line).fill_nan(None)


def _reliability(x: Property, rows: NDArray[np.int64]) -> float | None:
    """Of a measured x; None for a fact."""
    se = x.se[rows]
    if len(rows) < 2 or not np.nan_to_num(se).any():
        return None
    return regression.reliability(x.scaled(x.value[rows]), se)


def with_q(trends: Sequence[Trend]) -> list[Trend]:
    """The trends with Benjamini and Hochberg's q over everything that is printed together: slopes, groups, and each
    "all groups alike"."""
    parts = [(t.slopes["p"], t.groups["p"], t.groups["p_all_groups"].head(1)) for t in trends]
    p = [series.fill_null(float("nan")).to_numpy() for three in parts for series in three]
    q = benjamini_hochberg(np.concatenate(p)) if p else np.zeros(0)
    pieces = iter(np.split(q, np.cumsum([len(one) for one in p])[:-1]) if p else [])
    return [_with_q(t, next(pieces), next(pieces), next(pieces)) for t in trends]


def _with_q(t: Trend, slopes: FloatArray, found: FloatArray, all_groups: FloatArray) -> Trend:
    return replace(
        t,
        slopes=t.slopes.with_columns(q=pl.Series(slopes, dtype=pl.Float64).fill_nan(None)),
        groups=t.groups.with_columns(
            q=pl.Series(found, dtype=pl.Float64).fill_nan(None),
            q_all_groups=pl.Series(np.repeat(all_groups, len(t.groups)), dtype=pl.Float64).fill_nan(None),
        ),
    )
