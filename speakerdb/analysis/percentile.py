"""Where a speaker stands among its peers, in per cent of them that it leaves behind, with what the data can carry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from speakerdb.analysis import rank
from speakerdb.analysis.field import MetricColumn

LEAST = 8  # members of a peer group below which a percentile says nothing
FACTOR = 2.0  # peers cost and measure between 1/FACTOR and FACTOR of the speaker's price and size
COLUMNS = ("metric", "peers", "percentile", "low", "high")


@dataclass(frozen=True)
class Peers:
    """Rows of the peer group, the speaker's own among them, and in words what makes them peers."""

    rows: tuple[int, ...]
    words: str


def peers_of(facts: pl.DataFrame, row: int, factor: float = FACTOR) -> Peers:
    """Speakers of the same kind whose price and size lie within `factor` of this one's.

    A fact that is unknown of the speaker asks nothing; one that is unknown of another leaves it out. Other settings of the
    speaker itself are no peers.
    """
    own = facts.row(row, named=True)
    test, words = pl.lit(True), []
    if own["kind"] is not None:
        test &= pl.col("kind") == own["kind"]
        words.append(f"kind {own['kind']}")
    for column, name in (("price", "price"), ("volume_l", "size")):
        if own[column] is not None:
            test &= pl.col(column).is_between(own[column] / factor, own[column] * factor)
            words.append(f"{name} within a factor of {factor:g}")
    test = (test.fill_null(False) & (pl.col("speaker") != own["speaker"])) | (pl.col("_row") == row)
    found = facts.with_row_index("_row").filter(test)["_row"].to_list()
    return Peers(tuple(found), ", ".join(words) or "all speakers")


def named_peers(facts: pl.DataFrame, row: int, speakers: Sequence[str], words: str) -> Peers:
    """The peer group that a named query gives, with the speaker itself."""
    own = facts["speaker"][row]
    wanted = facts.with_row_index("_row").filter((pl.col("speaker").is_in(list(speakers)) & (pl.col("speaker") != own)) | (pl.col("_row") == row))  # fmt: skip
    return Peers(tuple(wanted["_row"].to_list()), words)


def percentiles(columns: Sequence[MetricColumn], row: int, peers: Peers) -> pl.DataFrame:
    """One row per metric: percentile = 100·(n − rank)/(n − 1) among the peers of whom the metric is known, the better the
    higher (where neither direction is better: the higher the value); low, high from its marginal rank set within the group.

    Censoring widens low…high to what the open side allows. Null where the speaker's value is withheld, or with fewer than LEAST members (`peers` says how many).
    """
    found = [_one(column, row, peers) for column in columns]
    return pl.DataFrame(found, schema=dict(zip(COLUMNS, (pl.String, pl.Int64, *[pl.Float64] * 3), strict=True)), orient="row")  # fmt: skip


def _one(column: MetricColumn, row: int, peers: Peers) -> tuple[str, int, float | None, float | None, float | None]:
    rows = np.array(peers.rows, np.int64)
    members = rows[column.known[rows]]
    count = len(members)
    if row not in members or count < LEAST:
        return column.metric.id, count, None, None, None
    place = rank.set_of(column.take(members).compared(), int(np.flatnonzero(members == row)[0]))
    value, low, high = (
        100.0 * (count - r) / (count - 1) for r in (place.rank, place.marginal_high, place.marginal_low)
    )
    return column.metric.id, count, value, low, high
