"""Questions to the whole field: one property against another, over time, between labs."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from speakerdb.analysis import properties
from speakerdb.analysis import tradeoff as trading
from speakerdb.analysis.properties import Property
from speakerdb.analysis.tradeoff import TradeOff
from speakerdb.dictionary import METRICS
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


def property_of(field: Field, name: str, rows: pl.DataFrame) -> Property:
    """A metric by its id or an unambiguous part of it, or a fact: price, volume_l, mass_kg, height_mm, year, … Raises UnknownNameError."""
    if name in properties.FACTS:
        first = field.metric_column(next(iter(METRICS.values())), rows)
        currency = rows["currency"][0] if len(rows) else None
        return properties.of_fact(name, first, currency)
    metric = find_metric(name)
    if not metric.ranked:
        raise RequestError(f"{metric.id} is a setting of the measurement or the amplifier, no property of the speaker")
    return properties.of_metric(column(field, metric, rows))


def tradeoff(field: Field, x: str, y: str, selection: Selection) -> TradeOffAnswer:
    """Two properties over the selection. Raises RequestError, UnknownNameError."""
    judged, unknown = selection.split(field)
    px, py = property_of(field, x, judged), property_of(field, y, judged)
    found = trading.tradeoff(judged, px, py)
    not_judged = pl.concat([found.unknown, unknown.select("speaker", "setting", "reason")], how="vertical_relaxed")
    return TradeOffAnswer(px, py, found, not_judged)
