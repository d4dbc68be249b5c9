"""What would settle it: for two speakers that cannot be told apart, the further measurement that would help most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from speakerdb.analysis.field import MetricColumn
from speakerdb.statistics import comparison
from speakerdb.statistics.settle import Measured, Outcome, outcomes

Sides = tuple[Sequence[Measured], Sequence[Measured]]
SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "metric": pl.String, "unit": pl.String, "a": pl.String, "b": pl.String, "difference": pl.Float64, "low": pl.Float64,
    "high": pl.Float64, "what": pl.String, "speakers": pl.List(pl.String), "lab": pl.String, "words": pl.String,
    "width": pl.Float64, "expected_width": pl.Float64, "share": pl.Float64, "would_settle": pl.Boolean,
}  # fmt: skip


def words(outcome: Outcome) -> str:
    """The measurement as one would ask for it."""
    names = " and ".join(outcome.speakers)
    match outcome.what:
        case "repeat":
            return f"measure the same sample of {names} once more in {outcome.lab}"
        case "sample":
            return f"measure another sample of {names} in {outcome.lab}"
        case "lab":
            return f"measure the same sample of {names} in {outcome.lab}"
    return f"measure {names} side by side in one run in {outcome.lab}"


def undecided(columns: Sequence[MetricColumn], pair: tuple[int, int]) -> list[str]:
    """Metrics of whose difference both ends are known and 0 lies between them."""
    return [c.metric.id for c in columns if _open(c, pair) is not None]


def _open(column: MetricColumn, pair: tuple[int, int]) -> tuple[float, float, float] | None:
    """difference, low, high of a − b where it is undecided."""
    a, b = (column.take([index]) for index in pair)
    if not (a.known[0] and b.known[0]):
        return None
    found = comparison.differences(a.draws, b.draws, (a.lower, a.upper), (b.lower, b.upper))
    difference, low, high = (float(x[0]) for x in (found.difference, found.low, found.high))
    return (difference, low, high) if np.isfinite(difference) and low <= 0 <= high else None


def settle(
    columns: Sequence[MetricColumn], pair: tuple[int, int], measured: Mapping[str, Sides], labs: Sequence[str] = ()
) -> pl.DataFrame:
    """For each metric in which rows (i, j) cannot be told apart, the measurements that would narrow the interval of a − b.

    measured: metric id -> the sessions of a and of b that stand for its values; labs: others in which one could measure. Columns
    as in SCHEMA; per metric the narrowest expected interval first, `share` of the present width. would_settle: the interval
    would leave 0 out if the difference stayed what it is. Metrics that differ already, are withheld or censored have no rows.
    """
    rows: list[tuple[object, ...]] = []
    for column in columns:
        found = _open(column, pair)
        if found is None or column.metric.id not in measured:
            continue
        difference, low, high = found
        names = [column.facts["speaker"][index] for index in pair]
        for outcome in outcomes(*measured[column.metric.id], labs, width=high - low):
            rows.append(
                (column.metric.id, column.metric.unit, *names, difference, low, high, outcome.what, list(outcome.speakers),
                 outcome.lab, words(outcome), outcome.before, outcome.width, outcome.width / outcome.before,
                 abs(difference) > outcome.width / 2.0)
            )  # fmt: skip
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def overall(frame: pl.DataFrame) -> pl.DataFrame:
    """Over all undecided metrics of a frame from `settle`: per measurement the mean share of the present width that would be left (metrics
    it does not help count as unchanged), how many metrics it would settle; the best first."""
    metrics = frame["metric"].n_unique()
    return (
        frame.group_by("what", "speakers", "lab", "words", maintain_order=True)
        .agg(
            share=(pl.col("share").sum() + metrics - pl.len()) / metrics,
            settles=pl.col("would_settle").sum(),
            metrics=pl.col("metric"),
        )
        .sort("share", "words")
    )
