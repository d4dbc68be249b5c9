"""Where a speaker stands in its peer group, metric by metric, as far as the uncertainty lets one say."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from speakerdb.dictionary import METRICS, MetricDef
from speakerdb.errors import SpeakerdbError
from speakerdb.library import Selection

if TYPE_CHECKING:
    from speakerdb.library import Database

FEWEST = 8  # in a smaller group a place says nothing (statistics.md §4)

# The figures of a verdict, in the order of the sheet
VERDICT = (
    "preference", "preference_bass_managed", "f6_hz", "flatness_window_db", "nbd_in_room_db", "ripple_in_room_db",
    "bass_balance_db", "treble_balance_db", "slope_in_room_db_per_octave", "beamwidth_horizontal_deg", "beamwidth_vertical_deg",
    "tone_width_horizontal_deg", "tone_width_vertical_deg", "di_power_mean_db", "di_power_ripple_db", "turning_sensitivity_db",
    "max_level_db", "balance_level_db", "clean_level_mid_db", "clean_level_bass_db", "sensitivity_db", "impedance_min_ohm",
)  # fmt: skip


@dataclass(frozen=True)
class Group:
    """Who is compared: its name in words, how to select it, how many speakers it holds (the speaker included)."""

    words: str
    selection: Selection
    size: int


@dataclass(frozen=True)
class Place:
    """One metric of a speaker among its peers.

    rank counts from the better side (where neither is, from the highest); rank_low … rank_high: the 95 % rank set, None
    where no interval was worked out. count: members of the group with this value, the speaker included.
    """

    metric: MetricDef
    value: float
    low: float | None
    high: float | None
    censored: str
    rank: int
    rank_low: int | None
    rank_high: int | None
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
    """Speakers of the same kind where there are eight or more of them, else the whole field (subwoofers apart)."""
    field = base.field.frame().filter(pl.col("is_default"))
    kind = field.filter(pl.col("speaker") == slug)["kind"].to_list()
    same = 0 if not kind or kind[0] is None else int((field["kind"] == kind[0]).sum())
    if same >= FEWEST:
        selection = Selection()
        filters = dataclasses.replace(selection.filters, kind=kind[0])
        return Group(_plural(kind[0]), dataclasses.replace(selection, filters=filters), same)
    return Group("speakers of all kinds", Selection(), len(field))


def _plural(kind: str) -> str:
    return {"bookshelf": "bookshelf speakers", "centre": "centre speakers", "in-wall": "in-wall speakers",
            "portable": "portable speakers", "other": "speakers of no usual kind"}.get(kind, f"{kind}s")  # fmt: skip


def places(base: Database, slug: str, group: Group, metrics: Sequence[str] = VERDICT) -> list[Place]:
    """The speaker's place in each metric that it has (default setting); metrics withheld for it are left out."""
    found = []
    for metric_id in metrics:
        try:
            rows = base.rank(metric_id, selection=group.selection)
        except SpeakerdbError:
            continue  # never ranked
        ok = rows.filter(pl.col("status") == "ok")
        mine = ok.filter(pl.col("speaker") == slug)
        if not len(mine):
            continue
        r = mine.row(0, named=True)
        known = r["low"] is not None or r["high"] is not None
        found.append(
            Place(METRICS[metric_id], r["value"], r["low"], r["high"], r["censored"], r["rank"],
                  r["rank_low"] if known else None, r["rank_high"] if known else None, len(ok))
        )  # fmt: skip
    return found


def peer_values(base: Database, slug: str, group: Group, metrics: Sequence[str]) -> pl.DataFrame:
    """metric, value of the others in the group (default settings)."""
    judged, _ = group.selection.split(base.field)
    names = judged.filter(pl.col("speaker") != slug)["speaker"].to_list()
    values = base.field.default_values()
    return values.filter(pl.col("metric").is_in(list(metrics)) & pl.col("speaker").is_in(names)).select(
        "metric", "value"
    )
