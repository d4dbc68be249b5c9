"""Places in a column: who is better than whom, as far as the errors let one say, as a frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis.differences import scores_of
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.statistics import jointsets, luck
from speakerdb.statistics.benches import Benches, one_bench
from speakerdb.statistics.places import Scores, places

Draws = Callable[[], NDArray[np.float32]]  # (n, B) of the column's rows, read where they are asked for
LEAST = 8  # speakers below which widths of places say nothing
MOST_PAIRED = 2000  # speakers of whom what the bench does to each pair is worked out
COMPONENTS = 16  # independent ways in which benches move the values of a field


def better_first(column: MetricColumn) -> Scores:
    """What is known of the rows, more being better; where neither direction is, the higher the better. One of which
    only an upper bound is known stands behind the best of which more is: it never comes first for want of knowledge."""
    scores = scores_of(column)
    scores = scores.turned() if column.metric.better == "low" else scores
    bound = np.isneginf(scores.lower)
    known = scores.x[~bound & np.isfinite(scores.x)]
    if not bound.any() or not len(known):
        return scores
    return replace(scores, x=np.where(bound, np.minimum(scores.x, np.nextafter(known.max(), -np.inf)), scores.x))


def rank_frame(column: MetricColumn, draws: Draws | None, *, jointly: bool = False) -> pl.DataFrame:
    """rank, rank_low, rank_high, lucky (and rank_joint_low, rank_joint_high where asked for) per row of the column,
    null where withheld.

    rank: by the plain value, 1 the best, equal ones share the lower number; alone as long as the error of some is not
    worked out. rank_low … rank_high: the places that each can have, judged pair by pair; of the first and the last,
    where luck is likely to have brought them there, those that all together can have. lucky: those of the first of whom
    that is told. draws: for these and for joint places; without them, places by pairs alone.
    """
    rows = np.flatnonzero(column.known)
    scores = better_first(column.take(rows))
    if not np.isfinite(scores.v).all():
        count = len(rows)
        place = 1 + count - np.searchsorted(np.sort(scores.x), scores.x, side="right")
        none = pl.Series([None] * count, dtype=pl.Int64)
        names = ("rank_low", "rank_high", *(("rank_joint_low", "rank_joint_high") if jointly else ()))
        return _spread(column, pl.DataFrame({"row": rows, "rank": place, "lucky": False, **dict.fromkeys(names, none)}))
    if draws is None:
        found = places(scores)
        return _spread(
            column,
            pl.DataFrame(
                {"row": rows, "rank": found.rank, "rank_low": found.low, "rank_high": found.high, "lucky": False}
            ),
        )

    @cache
    def critical() -> float:
        return jointsets.critical_value(scores, draws()[rows])

    shown = luck.ranking(scores, critical)
    ranges = {"rank_low": shown.low, "rank_high": shown.high, "lucky": shown.first}
    if jointly:
        joint = places(scores, critical())
        ranges |= {"rank_joint_low": joint.low, "rank_joint_high": joint.high}
    return _spread(column, pl.DataFrame({"row": rows, "rank": shown.rank, **ranges}))


def _spread(column: MetricColumn, frame: pl.DataFrame) -> pl.DataFrame:
    """A frame of some rows of the column (`row`) as one of all, null elsewhere."""
    return (
        pl.DataFrame({"row": np.arange(len(column))})
        .join(frame, on="row", how="left", maintain_order="left")
        .drop("row")
    )


def with_bench(column: MetricColumn, bench: NDArray[np.floating]) -> MetricColumn:
    """The column with the bench's own error included: bench (n, B), what its error does to each value on the metric's
    scale.

    A difference has the part that both do not feel alike: the draws' main components are laid out as independent
    errors, the rest is added to each value's own. In a large field every value's is taken as its own, which is more
    than it is.
    """
    variance = bench.var(axis=1)
    if len(column) > MOST_PAIRED:
        return replace(column, se=np.sqrt(column.se**2 + variance), benches=one_bench(len(column)))
    known = np.where(np.isnan(bench), 0.0, bench)
    u, s, _ = np.linalg.svd(known / np.sqrt(known.shape[1]), full_matrices=False)
    loading = (u * s)[:, :COMPONENTS].astype(np.float64)
    rest = np.maximum(np.nan_to_num(variance) - (loading**2).sum(axis=1), 0.0)
    benches = Benches(np.arange(len(column)), np.ones(len(column)), loading)
    return replace(column, se=np.sqrt(column.se**2 + rest), benches=benches)
