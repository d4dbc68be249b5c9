"""Differences by what one would notice of them: four groups, and one row of each family of metrics that tell much the
same (method:statistics#noticed)."""

from __future__ import annotations

from statistics import NormalDist
from typing import Any, Literal

import numpy as np
import polars as pl

from speakerdb.metrics import METRICS

Noticed = Literal["notice", "probably", "small", "unclear"]
GROUPS: dict[Noticed, str] = {
    "notice": "You would notice",
    "probably": "Probably noticeable",
    "small": "Less than matters",
    "unclear": "Can't be told",
}
PROBABLY = 0.8  # that a difference is beyond what matters (own judgement)
_SE_OF_INTERVAL = 2 * 1.959964  # standard errors in a 95 % interval


def noticed(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of `differences.compare` with `steps` (of the difference that matters, positive where a is better, or more
    where neither direction is), `noticed` and `family`; the most noticed first within each pair, then the largest."""
    if not len(rows):
        return rows.with_columns(
            steps=pl.lit(None, pl.Float64), noticed=pl.lit(None, pl.String), family=pl.lit(None, pl.String)
        )
    found = [_judge(r) for r in rows.iter_rows(named=True)]
    judged = rows.with_columns(
        steps=pl.Series([steps for steps, _ in found], dtype=pl.Float64),
        noticed=pl.Series([word for _, word in found], dtype=pl.String),
        family=pl.Series([METRICS[m].family or METRICS[m].id for m in rows["metric"]]),
    )
    pairs = judged.select("a", "setting_a", "b", "setting_b").unique(maintain_order=True).with_row_index("pair")
    ranks = {word: i for i, word in enumerate(GROUPS)}
    return (
        judged.join(pairs, on=["a", "setting_a", "b", "setting_b"], how="left", maintain_order="left")
        .with_columns(group=pl.col("noticed").replace_strict(ranks), size=pl.col("steps").abs())
        .sort("pair", "group", "size", descending=[False, False, True], nulls_last=True, maintain_order=True)
        .drop("pair", "group", "size")
    )


def _judge(r: dict[str, Any]) -> tuple[float | None, Noticed]:
    """A row's steps and group. Steps of a bound are those that it surely has."""
    metric = METRICS[r["metric"]]
    sign = -1.0 if metric.better == "low" else 1.0
    middle, low, high = (_in_steps(r[k], metric) for k in ("difference", "low", "high"))
    ends = [e for e in (low, high) if e is not None]
    surely = max(ends) if ends and max(ends) < 0 else min(ends) if ends and min(ends) > 0 else None
    steps = middle if middle is not None else surely
    told = None if steps is None else sign * steps
    if r["matters"] == "yes":
        return told, "notice"
    if r["matters"] == "no":
        return told, "small"
    if middle is None or low is None or high is None or high <= low:
        return told, "unclear"
    se = (high - low) / _SE_OF_INTERVAL
    normal = NormalDist(middle, se)
    beyond = normal.cdf(-1.0) + 1.0 - normal.cdf(1.0)
    return told, "probably" if beyond >= PROBABLY else "unclear"


def _in_steps(value: float | None, metric: Any) -> float | None:
    """A difference, or the logarithm of a ratio, in steps that matter; None where open."""
    if value is None or not np.isfinite(value) or (metric.scale == "log" and value <= 0):
        return None
    return float(np.log(value) / np.log(metric.matters)) if metric.scale == "log" else float(value / metric.matters)


def families(rows: pl.DataFrame) -> pl.DataFrame:
    """One row of each family and pair, the one that stands first; `alike`: how many of its family stand behind it in
    the same group."""
    key = ["a", "setting_a", "b", "setting_b", "noticed", "family"]
    alike = rows.group_by(key).len("of").with_columns(alike=pl.col("of") - 1).drop("of")
    first = rows.unique(key, keep="first", maintain_order=True)
    return first.join(alike, on=key, how="left", maintain_order="left")
