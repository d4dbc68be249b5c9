"""Whether a speaker is worth its price: at list, street and sale price, among its kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.analysis.filters import Filters
from speakerdb.analysis.tradeoff import ONLY_BOUNDS
from speakerdb.dictionary import METRICS, MetricDef
from speakerdb.errors import SpeakerdbError
from speakerdb.report import words
from speakerdb.report.standing import plural

if TYPE_CHECKING:
    from speakerdb.library import Database
    from speakerdb.library.overview import TradeOffAnswer

# What a price is set against: what many and what one of them do
MERITS = {
    "preference": ("score", "scores"), "f6_hz": ("reach down to", "reaches"), "max_level_db": ("reach", "reaches"),
}  # fmt: skip
_AGAINST = {"better": "better than expected", "worse": "worse than expected", "as_expected": "as expected"}


def sentences(base: Database, slug: str) -> list[str]:
    """What the field says about its prices, merit by merit."""
    from speakerdb.library import Selection

    known = base.facts(slug)
    if not known.prices:
        return ["Not judged: no price is recorded for it."]
    told = [f"{p['kind']} {_money(p['price_pair'], p['currency'])}" for p in known.prices]
    said = [f"A pair costs {words.listing(told)}."]
    kind = known.values["kind"]
    if kind is None:
        return [*said, "Whether it is worth that is not judged: its kind is unknown."]
    for metric_id in MERITS:
        try:
            answer = base.tradeoff("price", metric_id, selection=Selection(filters=Filters(kind=kind)), with_line=False)
        except SpeakerdbError as error:
            said.append(f"By {METRICS[metric_id].phrase} for the money: not judged, {error.message}.")
            continue
        said += merit(base, answer, slug, kind, [p for p in known.prices if p["currency"] == answer.x.unit])
    return said


def merit(base: Database, answer: TradeOffAnswer, slug: str, kind: str, prices: list[dict[str, Any]]) -> list[str]:
    """Whether another of its kind is no dearer and as good, and what its price leads to expect."""
    metric = METRICS[answer.y.id]
    mine = answer.found.rows.filter(pl.col("speaker") == slug)
    if not len(mine):
        reasons = answer.not_judged.filter(pl.col("speaker") == slug)["reason"].to_list()
        return [
            f"By {metric.phrase} for the money: not judged, {reasons[0] if reasons else 'it lacks a price or the figure'}."
        ]
    r = mine.row(0, named=True)
    said = [
        f"By {metric.phrase} for the money: {_front(base, r, prices, answer.x.unit)}."
        if r["beaten_reason"] is None
        else _not_told(r, metric)
    ]
    if r["beats"]:
        many, one = MERITS[metric.id]
        span = f"{words.number(metric, r['low'])} to {words.number(metric, r['high'])}"
        makers = f"{r['makers']} maker{'' if r['makers'] == 1 else 's'}"
        said.append(
            f"At this price {plural(kind)} {many} {words.value(metric, r['expected'])} ({span}; {makers}); it {one} "
            f"{words.number(metric, r['y'])}: {_AGAINST[r['beats']]}."
        )
    return said


def _money(price: float, currency: str) -> str:
    """'8900 EUR', '12 500 EUR'."""
    return f"{f'{price:,.0f}'.replace(',', chr(0x202F)) if price >= 10_000 else f'{price:.0f}'} {currency}"


def _not_told(r: dict[str, Any], metric: MetricDef) -> str:
    if r["beaten_reason"] != ONLY_BOUNDS:
        return f"By {metric.phrase} for the money: not judged, {r['beaten_reason']}."
    if r["y_censored"] == "none":
        return f"Value can't be told by {metric.phrase}: of rivals no dearer only bounds are known."
    side = "at most" if r["y_censored"] == "at_most" else "at least"
    return f"Value can't be told: its {metric.phrase} is only known to be {side} {words.value(metric, r['y'])}."


def _front(base: Database, r: dict[str, Any], prices: list[dict[str, Any]], unit: str) -> str:
    """From which price on it is more likely beaten than not, and which of its prices lie on the other side of that than the one judged."""
    limit = r["beaten_from"]
    if limit is None:
        return "on the front at any price"
    rival = f"{_money(limit, unit)} ({_name(base, r['beaten_by'])})"
    on_front = r["x"] < limit
    others = [f"{p['kind']} price" for p in prices if (p["price_pair"] < limit) != on_front]
    if on_front:
        besides = f"; at its {words.listing(others)} more likely beaten than not" if others else ""
        return f"at {_money(r['x'], unit)} on the front, up to {rival}{besides}"
    besides = f"; at its {words.listing(others)} on the front" if others else ""
    return f"from {rival} on it is more likely beaten than not{besides}"


def _name(base: Database, slug: str) -> str:
    maker, model = base.field.base.filter(pl.col("speaker") == slug).select("maker", "model").row(0)
    return f"{maker} {model}"
