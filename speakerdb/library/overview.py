"""Questions to the whole field: one property against another, over time, between labs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from speakerdb.analysis import properties
from speakerdb.analysis import tradeoff as trading
from speakerdb.analysis import trend as trending
from speakerdb.analysis.properties import Property
from speakerdb.analysis.tradeoff import TradeOff
from speakerdb.analysis.trend import Trend
from speakerdb.dictionary import METRICS, MetricDef
from speakerdb.errors import RequestError
from speakerdb.library.answers import Selection
from speakerdb.library.comparing import column
from speakerdb.library.field import Field
from speakerdb.library.naming import find_metric


@dataclass(frozen=True)
class TradeOffAnswer:
    """x, y as asked for, what was found, and what could not be judged (speaker, setting, reason)."""

    x: Property
    y: Property
    found: TradeOff
    not_judged: pl.DataFrame


def _metric(name: str) -> MetricDef:
    metric = find_metric(name)
    if not metric.ranked:
        raise RequestError(f"{metric.id} is a setting of the measurement or the amplifier, no property of the speaker")
    return metric


def property_of(field: Field, name: str, rows: pl.DataFrame) -> Property:
    """A metric by its id or an unambiguous part of it, or a fact: price, volume_l, mass_kg, height_mm, year, … Raises UnknownNameError."""
    if name in properties.FACTS:
        first = field.metric_column(next(iter(METRICS.values())), rows)
        return properties.of_fact(name, first, rows["currency"][0] if len(rows) else None)
    return properties.of_metric(column(field, _metric(name), rows))


def tradeoff(field: Field, x: str, y: str, selection: Selection) -> TradeOffAnswer:
    """Two properties over the selection. Raises RequestError, UnknownNameError."""
    judged, unknown = selection.split(field)
    px, py = property_of(field, x, judged), property_of(field, y, judged)
    found = trading.tradeoff(judged, px, py)
    not_judged = pl.concat([found.unknown, unknown.select("speaker", "setting", "reason")], how="vertical_relaxed")
    return TradeOffAnswer(px, py, found, not_judged)


@dataclass(frozen=True)
class TrendAnswer:
    """trends: one per metric asked for, in that order; not_judged: speaker, setting, reason of those that the filters can't judge."""

    metrics: tuple[MetricDef, ...]
    over: str
    trends: tuple[Trend, ...]
    not_judged: pl.DataFrame

    @property
    def cautions(self) -> list[str]:
        return list(dict.fromkeys(c for t in self.trends for c in t.cautions))


OVER = {"volume": "volume_l", "mass": "mass_kg"}  # short names of facts


def trend(field: Field, metrics: Sequence[str], over: str, selection: Selection) -> TrendAnswer:
    """Metrics over a quantity (year, price, volume, … or another metric) or a grouping (kind, layout, enclosure), a row per speaker;
    q counts all of them together. Raises RequestError, UnknownNameError."""
    if selection.all_settings:
        raise RequestError("a trend has one row per speaker: leave out --all-settings")
    judged, unknown = selection.split(field)
    found = []
    chosen = tuple(_metric(m) for m in metrics)
    for metric in chosen:
        c = column(field, metric, judged)
        y = properties.of_metric(c)
        if over in trending.GROUPINGS:
            found.append(trending.over_groups(c.facts, y, over))
        else:
            x = property_of(field, OVER.get(over, over), judged)
            if x.id == y.id:
                raise RequestError(f"{x.id} over itself is no trend")
            found.append(trending.over_quantity(c.facts, y, x))
    return TrendAnswer(
        chosen, OVER.get(over, over), tuple(trending.with_q(found)), unknown.select("speaker", "setting", "reason")
    )
