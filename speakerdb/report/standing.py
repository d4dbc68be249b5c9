"""Where a speaker stands in its peer group, metric by metric, as far as the uncertainty lets one say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from speakerdb.analysis import percentile, rank
from speakerdb.analysis.field import MetricColumn
from speakerdb.dictionary import METRICS, MetricDef

if TYPE_CHECKING:
    from speakerdb.library import Database

FEWEST = percentile.LEAST  # in a smaller group a place says nothing (statistics.md §4)

# The figures of a verdict, in the order of the sheet
VERDICT = (
    "preference", "preference_bass_managed", "f6_hz", "flatness_window_db", "nbd_in_room_db", "ripple_in_room_db",
    "bass_balance_db", "treble_balance_db", "slope_in_room_db_per_octave", "beamwidth_horizontal_deg", "beamwidth_vertical_deg",
    "tone_width_horizontal_deg", "tone_width_vertical_deg", "di_power_mean_db", "di_power_ripple_db", "turning_sensitivity_db",
    "max_level_db", "balance_level_db", "clean_level_mid_db", "clean_level_bass_db", "sensitivity_db", "impedance_min_ohm",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Group:
    """Who is compared: the rows of the field (default settings, the speaker among them), what makes them a group, and the
    same as a noun for sentences."""

    rows: pl.DataFrame
    words: str
    noun: str

    @property
    def size(self) -> int:
        return len(self.rows)


@dataclass(frozen=True)
class Place:
    """One metric of a speaker among its peers.

    value: as defined; corrected: without the bias that noise brings, which ranks and intervals are about. rank counts from the
    better side (where neither is, from the highest). rank_low … rank_high: the ranks it can have, looked at alone (95 %);
    surely_low … surely_high: when all are looked at together, for superlatives. None where no uncertainty was worked out.
    count: members of the group with this value, the speaker included.
    """

    metric: MetricDef
    value: float
    corrected: float
    low: float | None
    high: float | None
    censored: str
    rank: int
    rank_low: int | None
    rank_high: int | None
    surely_low: int | None
    surely_high: int | None
    count: int

    @property
    def beats(self) -> tuple[float, float] | None:
        """The share of the others that it surely and possibly leaves behind, 0…1; None without rank set or in a small group.

        (n − rank)/(n − 1) at both ends of the rank set (statistics.md §4).
        """
        if self.count < FEWEST or self.rank_low is None or self.rank_high is None:
            return None
        others = self.count - 1
        return (self.count - self.rank_high) / others, (self.count - self.rank_low) / others


def group_of(base: Database, slug: str) -> Group:
    """Speakers of the same kind, price and size where there are eight or more; else of the same kind; else all."""
    field = base.field.frame().filter(pl.col("is_default"))
    row = int(np.flatnonzero((field["speaker"] == slug).to_numpy())[0])
    kind = field["kind"][row]
    noun = _plural(kind) if kind else "speakers"
    peers = percentile.peers_of(field, row)
    if len(peers.rows) >= FEWEST:
        return Group(field[list(peers.rows)], peers.words, f"{noun} of its price and size")
    same = field.filter(pl.col("kind") == kind)
    if kind is not None and len(same) >= FEWEST:
        return Group(same, f"kind {kind}", noun)
    return Group(field, "all speakers", "speakers of all kinds")


def _plural(kind: str) -> str:
    return {"bookshelf": "bookshelf speakers", "centre": "centre speakers", "in-wall": "in-wall speakers",
            "portable": "portable speakers", "other": "speakers of no usual kind"}.get(kind, f"{kind}s")  # fmt: skip


@dataclass(frozen=True, eq=False)
class Standing:
    """A speaker's places in its group, and the others' values: metric, value (corrected where that has been worked out)."""

    places: list[Place]
    others: pl.DataFrame


def standing(base: Database, slug: str, group: Group, metrics: Sequence[str] = VERDICT) -> Standing:
    """Places in the metrics that the speaker has (default setting); those withheld for it or never ranked are left out."""
    found, others = [], []
    field = base.of(group.rows["speaker_id"].to_list())  # reads what the group needs at once, and no more
    rows = field.frame().filter(pl.col("is_default"))
    for metric in (METRICS[m] for m in metrics if METRICS[m].ranked):
        column = field.metric_column(metric, rows)
        known = column.take(column.known)
        place = _place(known, slug)
        if place is not None:
            found.append(place)
            values = known.corrected[(known.facts["speaker"] != slug).to_numpy()]
            others.append(pl.DataFrame({"metric": [metric.id] * len(values), "value": values}))
    empty = pl.DataFrame(schema={"metric": pl.String, "value": pl.Float64})
    return Standing(found, pl.concat([empty, *others]))


def _place(known: MetricColumn, slug: str) -> Place | None:
    mine = np.flatnonzero((known.facts["speaker"] == slug).to_numpy())
    if not len(mine):
        return None
    i, n = int(mine[0]), len(known)
    value, corrected, censored = float(known.value[i]), float(known.corrected[i]), known.censored[i]
    if not _worked_out(known):
        order = rank.sign(known) * known.value
        return Place(known.metric, value, value, None, None, censored, 1 + int((order > order[i]).sum()), None, None, None, None, n)  # fmt: skip
    low, high = (float(end[i]) for end in known.interval())
    ends = (low if np.isfinite(low) else None, high if np.isfinite(high) else None)
    place = rank.set_of(known.compared(), i)
    return Place(known.metric, value, corrected, *ends, censored, place.rank, place.marginal_low, place.marginal_high,
                 place.low, place.high, n)  # fmt: skip


def _worked_out(column: MetricColumn) -> bool:
    """Whether every member has an uncertainty: a rank among values without one would claim too much."""
    return bool((np.ptp(column.draws, axis=1) > 0).all())
