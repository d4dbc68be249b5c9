"""Ranks with what the data can carry: the set of ranks each speaker can have, tie groups, the winner's overstatement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis.field import FloatArray, MetricColumn
from speakerdb.statistics import ranksets
from speakerdb.statistics.ranksets import RankSet, RankSets

MOST_PLACES = 100  # places whose overstatement is worked out
NEIGHBOURS = "neighbouring groups may overlap: a group holds its leader and those that cannot be told from it"
RANKED = (
    "rank", "rank_low", "rank_high", "rank_marginal_low", "rank_marginal_high", "group", "overstatement",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Oriented:
    """A column of known values turned so that more is better, in log2 where its scale is logarithmic."""

    draws: NDArray[np.floating[Any]]
    lower: FloatArray
    upper: FloatArray
    lab: NDArray[np.int64]
    step: FloatArray


def sign(column: MetricColumn) -> float:
    """−1 where less is better; a metric of which neither is better runs from high to low."""
    return -1.0 if column.metric.better == "low" else 1.0


def oriented(column: MetricColumn) -> Oriented:
    """The column ready for ranking; every row must be known."""
    s, lab = sign(column), np.unique(column.lab.astype(str), return_inverse=True)[1].astype(np.int64)
    draws, lower, upper = column.draws, column.lower, column.upper
    step = np.full(len(column), column.metric.step)
    if column.metric.scale == "log":
        least = column.metric.step / 100.0
        slope = np.log(2.0) * np.maximum(column.corrected, least)
        draws, step = np.log2(np.maximum(draws, least)), step / slope
        lower, upper = (
            np.where(np.isfinite(x), np.log2(np.maximum(np.where(np.isfinite(x), x, 1.0), least)), x)
            for x in (lower, upper)
        )
    if s < 0:
        draws, lower, upper = -draws, -upper, -lower
    return Oriented(draws, lower, upper, lab, step)


def sets(column: MetricColumn) -> RankSets:
    """Rank sets of a column whose rows are all known."""
    o = oriented(column)
    return ranksets.rank_sets(o.draws, o.lower, o.upper, o.lab, o.step)


def set_of(column: MetricColumn, row: int) -> RankSet:
    """The rank set of one row of a column whose rows are all known."""
    o = oriented(column)
    return ranksets.rank_set_of(row, o.draws, o.lower, o.upper, o.lab, o.step)


def rank_frame(column: MetricColumn) -> pl.DataFrame:
    """One row per row of the column, in its order: the columns RANKED, null where withheld.

    rank: by the corrected value, 1 the best, ties share the lower number. rank_low, rank_high: the ranks that all speakers
    together can have with 95 % confidence; the marginal ones hold for one speaker looked at alone. group: tie groups
    from 1. overstatement: by how much, in the metric's unit and to its credit, whoever comes out on that place is
    flattered by chance on average (the first MOST_PLACES places).
    """
    rows = np.flatnonzero(column.known)
    known = column.take(rows).compared()
    found = sets(known)
    flattery = ranksets.overstatement(sign(column) * known.draws, MOST_PLACES)
    order = np.argsort(found.rank, kind="stable")
    over = np.full(len(rows), np.nan)
    over[order[: len(flattery)]] = flattery
    columns = dict(zip(RANKED, (found.rank, found.low, found.high, found.marginal_low, found.marginal_high, found.group, over),
                       strict=True))  # fmt: skip
    frame = pl.DataFrame({"row": rows, **columns}).with_columns(pl.col("overstatement").fill_nan(None))
    return (
        pl.DataFrame({"row": np.arange(len(column))})
        .join(frame, on="row", how="left", maintain_order="left")
        .drop("row")
    )


def superlative(rank_high: int, count: int) -> str | None:
    """What may be said of a speaker in words, given the worst rank it can have among all: 'the best of 67', 'among the best 5 of 67';
    None where not even the best quarter is sure."""
    if count < 2 or rank_high > max(count // 4, 1):
        return None
    return f"the best of {count}" if rank_high == 1 else f"among the best {rank_high} of {count}"
