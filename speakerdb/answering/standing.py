"""Where a speaker stands in its peer group, metric by metric, as far as the uncertainty lets one say."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis import peers as peer_groups
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.ordering import better_first
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS
from speakerdb.statistics import jointsets
from speakerdb.statistics.luck import ranking_of
from speakerdb.statistics.places import place_of

if TYPE_CHECKING:
    from speakerdb.field.field import Field

FEWEST = peer_groups.LEAST  # others; among fewer a place says nothing (method:statistics#among-its-peers)

# The figures of a verdict, in the order of the sheet
VERDICT = tuple(metric for _, metric in sorted((m.strip, m.id) for m in METRICS.values() if m.strip is not None))


class Base(Protocol):
    """The database as placing a speaker needs it."""

    @property
    def field(self) -> Field: ...
    def of(self, speaker_ids: Sequence[int]) -> Field: ...
    def setting(self, speaker: str, wanted: str | None = None) -> str: ...


@dataclass(frozen=True, eq=False)
class Group:
    """Who is compared: the rows of the field (default settings, the speaker among them), what makes them a group, and
    the same as a noun for sentences."""

    rows: pl.DataFrame
    words: str
    noun: str

    @property
    def size(self) -> int:
        return len(self.rows)

    @property
    def counted(self) -> str:
        """'9 standmounts'."""
        return f"{self.size} {self.noun}"


@dataclass(frozen=True)
class Place:
    """One metric of a speaker among its peers.

    value, low, high: with its interval as measured. rank counts from the better side (where neither is, from the
    highest); rank_low … rank_high: the places it can have (95 %), None where its uncertainty was not worked out.
    superlative: it is first, or last, also when all of the group are looked at together. count: members of the group
    with this value, the speaker included.
    """

    metric: Metric
    value: float
    low: float | None
    high: float | None
    censored: str
    rank: int
    rank_low: int | None
    rank_high: int | None
    superlative: bool
    count: int

    @property
    def text(self) -> str:
        """The value as printed beside its strip."""
        return self.metric.quantity.text(self.value, self.censored)

    @property
    def beats(self) -> tuple[float, float] | None:
        """The share of the others that it surely and possibly is better than, 0…1; None without places or in a small
        group."""
        if self.count <= FEWEST or self.rank_low is None or self.rank_high is None:
            return None
        others = self.count - 1
        return (self.count - self.rank_high) / others, (self.count - self.rank_low) / others


def group_of(base: Base, slug: str) -> Group:
    """The first group of peers that holds enough: of its kind, price and size; of its kind; of kinds like it; all."""
    field = base.field.frame().filter(pl.col("is_default"))
    row = int(np.flatnonzero((field["speaker"] == slug).to_numpy())[0])
    kind = field["kind"][row]
    groups = peer_groups.peers_of(field, row)
    peers = next((g for g in groups if len(g.rows) > FEWEST), groups[-1])
    noun = plural(kind) if kind else "speakers"
    near = [fact for fact in ("price", "size") if fact in peers.words]
    if near:
        noun = f"{noun} of its {' and '.join(near)}"
    elif peers.words != f"kind {kind}":
        noun = f"speakers of {peers.words}"
    return Group(field[list(peers.rows)], peers.words, noun)


def plural(kind: str) -> str:
    """Speakers of a kind, as a noun."""
    return {
        "bookshelf": "bookshelf speakers",
        "centre": "centre speakers",
        "in-wall": "in-wall speakers",
        "portable": "portable speakers",
        "other": "speakers of no usual kind",
    }.get(kind, f"{kind}s")


@dataclass(frozen=True, eq=False)
class Standing:
    """A speaker's places in its group, and the others' values: metric, value."""

    places: list[Place]
    others: pl.DataFrame


def standing(base: Base, slug: str, group: Group, metrics: Sequence[str] = VERDICT) -> Standing:
    """Places in the metrics that the speaker has (default setting); those withheld for it or never ranked are left
    out."""
    found, others = [], []
    for known, draws in _columns(base, group, metrics):
        place = _place(known, slug, draws)
        if place is not None:
            found.append(place)
            values = known.value[(known.facts["speaker"] != slug).to_numpy()]
            others.append(pl.DataFrame({"metric": [known.metric.id] * len(values), "value": values}))
    empty = pl.DataFrame(schema={"metric": pl.String, "value": pl.Float64})
    return Standing(found, pl.concat([empty, *others]))


def firsts_and_lasts(base: Base, slug: str, group: Group, metrics: Sequence[str] = VERDICT) -> list[Place]:
    """Places in the metrics in which the speaker is the first or the last of its group for sure."""
    members = group.rows["speaker"].implode()
    at_the_ends = []
    for metric in metrics:
        table = base.field.default_values.get(metric)
        if table is None or METRICS[metric].better == "neither":
            continue
        values = table.filter(pl.col("speaker").is_in(members))
        mine = values.filter(speaker=slug)["value"]
        if len(mine) and mine[0] in {values["value"].min(), values["value"].max()}:
            at_the_ends.append(metric)
    found = []
    for known, draws in _columns(base, group, at_the_ends):
        place = _place(known, slug, draws)
        found += [place] if place is not None and place.superlative else []
    return found


def _columns(
    base: Base, group: Group, metrics: Sequence[str]
) -> Iterator[tuple[MetricColumn, Callable[[], NDArray[np.float32]]]]:
    """What is known of each metric that is ranked, in the group, and how to get its own draws."""
    field = base.of(group.rows["speaker_id"].to_list())  # reads what the group needs at once, and no more
    rows = field.frame().filter(pl.col("is_default"))
    for metric in (METRICS[m] for m in metrics if METRICS[m].ranked):
        column = field.metric_column(metric, rows)
        yield column.take(column.known), partial(_draws, field, metric, rows["row"].to_numpy()[column.known])


def _draws(field: Field, metric: Metric, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """The own draws of a metric, of rows of the field."""
    return field.draws(metric.id)[rows]


def _place(known: MetricColumn, slug: str, draws: Callable[[], NDArray[np.float32]]) -> Place | None:
    """draws: the own draws of the rows, for a place that is first or last by itself, or by luck."""
    mine = np.flatnonzero((known.facts["speaker"] == slug).to_numpy())
    if not len(mine):
        return None
    i, n = int(mine[0]), len(known)
    value, censored = float(known.value[i]), known.censored[i]
    low, high = (float(end[i]) if np.isfinite(end[i]) else None for end in (known.low, known.high))
    scores = better_first(known)
    if not np.isfinite(known.se).all():  # a place among values without an uncertainty would claim too much
        rank = 1 + int((scores.x > scores.x[i]).sum())
        return Place(known.metric, value, low, high, censored, rank, None, None, False, n)

    def joint() -> float:
        return jointsets.critical_value(scores, draws())

    place = ranking_of(scores, i, joint)
    alone = place.low == place.high and place.low in (1, n)
    surely = alone and n > 1 and place_of(scores, i, joint()) == place
    return Place(known.metric, value, low, high, censored, place.rank, place.low, place.high, surely, n)
