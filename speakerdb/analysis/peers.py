"""Where a speaker stands among its peers: the places that it can have, as far as the data can carry it
(method:statistics#among-its-peers)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.ordering import better_first
from speakerdb.statistics.places import place_of

LEAST = 8  # peers, the speaker itself not counted, below which a place says nothing
FACTOR = 2.0  # peers cost and measure between 1/FACTOR and FACTOR of the speaker's price and size
SCHEMA = {
    "metric": pl.String,
    "place": pl.Int64,
    "place_low": pl.Int64,
    "place_high": pl.Int64,
    "of": pl.Int64,
    "among": pl.String,
}
# Kinds that are bought for the same use (own judgement). A subwoofer has no other family: its metrics refer to its own
# band.
FAMILIES: tuple[tuple[str, ...], ...] = (
    ("bookshelf", "standmount", "monitor"),
    ("floorstander",),
    ("centre", "in-wall"),
    ("soundbar", "portable"),
    ("subwoofer",),
    ("other",),
)
APART = ("subwoofer",)


@dataclass(frozen=True)
class Peers:
    """Rows of the peer group, the speaker's own among them, and in words what makes them peers."""

    rows: tuple[int, ...]
    words: str


def peers_of(facts: pl.DataFrame, row: int, factor: float = FACTOR) -> list[Peers]:
    """Groups of peers of a speaker, each wider than the one before: of its kind with price and size within `factor` of
    its own; of its kind; of its kind's family; all (subwoofers apart).

    A fact that is unknown of the speaker asks nothing; one that is unknown of another leaves it out. Other settings of
    the speaker itself are no peers. Groups that are no wider are left out.
    """
    own = facts.row(row, named=True)
    kind, kinds = own["kind"], pl.col("kind")
    near, words = pl.lit(True), []
    for column, name in (("price", "price"), ("volume_l", "size")):
        if own[column] is not None:
            near &= pl.col(column).is_between(own[column] / factor, own[column] * factor)
            words.append(f"{name} within a factor of {figures.plain(factor)}")
    tests: list[tuple[pl.Expr, str]] = []
    everyone = kinds.is_null() | ~kinds.is_in(APART)
    if kind is not None:
        family = next((f for f in FAMILIES if kind in f), (kind,))
        tests = [
            (near & (kinds == kind), ", ".join([f"kind {kind}", *words])),
            (kinds == kind, f"kind {kind}"),
            (kinds.is_in(family), f"kinds {', '.join(family)}"),
        ]
    elif words:
        tests = [(near & everyone, ", ".join(words))]
    if kind not in APART:
        tests.append((everyone, "all kinds"))
    found: list[Peers] = []
    for test, told in tests:
        group = _group(facts, row, test, told)
        if not found or len(group.rows) > len(found[-1].rows):
            found.append(group)
    return found


def named_peers(facts: pl.DataFrame, row: int, speakers: Sequence[str], words: str) -> Peers:
    """The peer group that a named query gives, with the speaker itself."""
    return _group(facts, row, pl.col("speaker").is_in(list(speakers)), words)


def _group(facts: pl.DataFrame, row: int, test: pl.Expr, words: str) -> Peers:
    """The rows that pass a test, the other settings of the speaker apart, and its own."""
    test = test.fill_null(False) & (pl.col("speaker") != facts["speaker"][row])
    return Peers(tuple(facts.with_row_index("at").filter(test | (pl.col("at") == row))["at"].to_list()), words)


def widened(columns: Sequence[MetricColumn], row: int, groups: Sequence[Peers]) -> list[Peers]:
    """For each column the first group that holds LEAST others of whom the metric is known; the last one where none
    does."""
    return [next((g for g in groups if _others(column, row, g) >= LEAST), groups[-1]) for column in columns]


def _others(column: MetricColumn, row: int, peers: Peers) -> int:
    members = _members(column, peers)
    return len(members) - int(row in members)


def _members(column: MetricColumn, peers: Peers) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """The rows of the group of whom the metric and its error are known."""
    rows = np.array(peers.rows, np.int64)
    return rows[(column.known & np.isfinite(column.se))[rows]]


def places(columns: Sequence[MetricColumn], row: int, groups: Sequence[Peers]) -> pl.DataFrame:
    """One row per metric, columns as in SCHEMA: the place of a row among its peers, 1 the best (where neither direction
    is better, the highest), the places it can have, and among how many, itself counted.

    groups: ever wider ones; the first that holds LEAST others with the metric counts. place, place_low and place_high
    are null where the speaker's own value is withheld, or none does (`of` says how many there were).
    """
    found = [_one(column, row, peers) for column, peers in zip(columns, widened(columns, row, groups), strict=True)]
    return pl.DataFrame(found, schema=SCHEMA, orient="row")


def _one(column: MetricColumn, row: int, peers: Peers) -> tuple[str, int | None, int | None, int | None, int, str]:
    members = _members(column, peers)
    mine = np.flatnonzero(members == row)
    if not len(mine) or len(members) <= LEAST:
        return column.metric.id, None, None, None, len(members), peers.words
    place = place_of(better_first(column.take(members)), int(mine[0]))
    return column.metric.id, place.rank, place.low, place.high, len(members), peers.words


def place_words(low: int, high: int, of: int) -> str:
    """'3rd to 9th of 9', '1st of 12'; where it can be anywhere, that it is not known."""
    if (low, high) == (1, of):
        return f"place not known: 1st to {figures.ordinal(of)} of {figures.number(of)}"
    return (
        f"{figures.ordinal(low)} of {figures.number(of)}"
        if low == high
        else f"{figures.ordinal(low)} to {figures.ordinal(high)} of {figures.number(of)}"
    )
