"""Speakers against each other, metric by metric: the difference, how sure it is, and whether it matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from speakerdb.analysis.field import PREFERENCES, FloatArray, MetricColumn
from speakerdb.statistics import comparison

FALSE_DISCOVERIES = 0.05
SCHEMA = {
    "metric": pl.String, "unit": pl.String, "a": pl.String, "setting_a": pl.String, "b": pl.String, "setting_b": pl.String,
    "value_a": pl.Float64, "censored_a": pl.String, "value_b": pl.Float64, "censored_b": pl.String,
    "corrected_a": pl.Float64, "corrected_b": pl.Float64, "difference": pl.Float64,
    "low": pl.Float64, "high": pl.Float64, "se": pl.Float64, "p": pl.Float64, "q": pl.Float64, "differs": pl.Boolean,
    "p_a_better": pl.Float64, "matters": pl.String, "because": pl.String, "reason": pl.String,
}  # fmt: skip


@dataclass(frozen=True)
class Origin:
    """What a speaker's sessions were measured with: keys of calibrations, samples and runs (same key, same error)."""

    calibrations: frozenset[str]
    samples: frozenset[str]
    runs: frozenset[str]


def why(a: Origin, b: Origin) -> str:
    """Why the interval of a difference is as tight or as wide as it is, in words."""
    level = ", and so does the level of their run" if a.runs == b.runs else ""
    if a.samples == b.samples:
        if a.calibrations == b.calibrations:
            return "tight: the same sample in the same lab, so its own spread and the calibration cancel" + level
        return "fair: the same sample in different labs, so its own spread cancels, but both calibrations count"
    tail = "; each sample's own spread counts"
    if a.calibrations == b.calibrations:
        where = "one lab" if len(a.calibrations) == 1 else "the same labs"
        return f"fair: {where}, so the calibration cancels{level}{tail}"
    if a.calibrations & b.calibrations:
        return f"fair: some labs in common, so part of the calibration cancels{tail}"
    return f"wide: no lab in common, so both calibrations count{tail}"


def compare(
    columns: Sequence[MetricColumn], pairs: Sequence[tuple[int, int]], origins: Sequence[Origin]
) -> pl.DataFrame:
    """Every metric's difference a − b for every pair of rows (i, j); columns as in SCHEMA, in the order given.

    columns share their rows; origins: one per row. low, high are infinite on an open side, difference is null where either
    side is censored. q, differs: Benjamini and Hochberg's procedure over all rows of the answer, at 5 %. p_a_better is null where neither
    direction is better. matters: 'yes', 'no', 'unclear' against the dictionary's `matters`. reason: why a row is withheld.
    """
    parts = [_one_metric(column, pairs, origins) for column in columns]
    frame = pl.DataFrame({name: [x for part in parts for x in part[name]] for name in SCHEMA}, schema=SCHEMA)
    q = comparison.benjamini_hochberg(frame["p"].cast(pl.Float64).fill_null(np.nan).to_numpy())
    return frame.with_columns(q=pl.Series(q).fill_nan(None)).with_columns(differs=pl.col("q") <= FALSE_DISCOVERIES)


def _one_metric(
    column: MetricColumn, pairs: Sequence[tuple[int, int]], origins: Sequence[Origin]
) -> dict[str, list[Any]]:
    """The columns of SCHEMA for one metric; `q` and `differs`, which hang on all rows, still empty."""
    metric = column.metric
    i, j = (np.array([pair[side] for pair in pairs], np.int64) for side in (0, 1))
    a, b = column.compared().take(i), column.compared().take(j)
    known = a.known & b.known
    found = comparison.differences(a.draws[known], b.draws[known], (a.lower[known], a.upper[known]), (b.lower[known], b.upper[known]))  # fmt: skip
    better = {"high": found.above, "low": 1.0 - found.above}.get(metric.better, np.full(int(known.sum()), np.nan))
    judged = comparison.matters(found.low, found.high, metric.matters)

    def given(values: FloatArray) -> list[float | None]:
        return [None if np.isnan(x) else x for x in values.tolist()]

    def spread(values: FloatArray) -> list[float | None]:
        full = np.full(len(pairs), np.nan)
        full[known] = values
        return given(full)

    matters = np.full(len(pairs), None, object)
    matters[known] = judged
    residual = "; and what the rating formula leaves unexplained (0.8 points)" if metric.id in PREFERENCES else ""
    return {
        "metric": [metric.id] * len(pairs), "unit": [metric.unit] * len(pairs),
        "a": a.facts["speaker"].to_list(), "setting_a": a.facts["setting"].to_list(),
        "b": b.facts["speaker"].to_list(), "setting_b": b.facts["setting"].to_list(),
        "value_a": given(a.value), "censored_a": a.censored, "value_b": given(b.value), "censored_b": b.censored,
        "corrected_a": given(a.corrected), "corrected_b": given(b.corrected),
        "difference": spread(found.difference), "low": spread(found.low), "high": spread(found.high),
        "se": spread(found.se), "p": spread(found.p), "q": [None] * len(pairs), "differs": [None] * len(pairs),
        "p_a_better": spread(better), "matters": matters.tolist(),
        "because": [why(origins[x], origins[y]) + residual for x, y in pairs],
        "reason": [_reason(a, b, k) for k in range(len(pairs))],
    }  # fmt: skip


def _reason(a: MetricColumn, b: MetricColumn, row: int) -> str | None:
    """Why a difference is withheld: the sides that lack a value, each with its reason."""
    missing = [
        (side.facts["speaker"][row], side.reason[row] or "not worked out") for side in (a, b) if not side.known[row]
    ]
    if len({reason for _, reason in missing}) == 1 < len(missing):
        return f"both: {missing[0][1]}"
    return "; ".join(f"{speaker}: {reason}" for speaker, reason in missing) or None
