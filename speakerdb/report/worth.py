"""Whether a speaker is worth its price: at list, street and sale price."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.dictionary import METRICS
from speakerdb.errors import SpeakerdbError
from speakerdb.report import words

if TYPE_CHECKING:
    from speakerdb.library import Database
    from speakerdb.library.overview import TradeOffAnswer

MERITS = ("preference", "f6_hz", "max_level_db")  # what a price is set against


def sentences(base: Database, slug: str) -> list[str]:
    """What the field says about its prices, merit by merit."""
    prices = base.facts(slug).prices
    if not prices:
        return ["Not judged: no price is recorded for it."]
    told = [f"{p['kind']} {p['price_pair']:,.0f} {p['currency']}" for p in prices]
    said = [f"A pair costs {words.listing(told)}."]
    for metric_id in MERITS:
        label = words.in_sentence(METRICS[metric_id].label)
        try:
            answer = base.tradeoff("price", metric_id, with_line=False)
        except SpeakerdbError as error:
            said.append(f"By {label} for the money: not judged, {error.message}.")
            continue
        said += _merit(answer, slug, [p for p in prices if p["currency"] == answer.x.unit], label, metric_id)
    return said


def _merit(answer: TradeOffAnswer, slug: str, prices: list[dict[str, Any]], label: str, metric_id: str) -> list[str]:
    mine = answer.found.rows.filter(pl.col("speaker") == slug)
    if not len(mine):
        reasons = answer.not_judged.filter(pl.col("speaker") == slug)["reason"].to_list()
        return [f"By {label} for the money: not judged, {reasons[0] if reasons else 'it lacks a price or the figure'}."]
    r = mine.row(0, named=True)
    low, high = round(100 * r["p_frontier_low"]), round(100 * r["p_frontier_high"])
    chance = f"{low} %" if low == high else f"{low} to {high} %"
    said = [
        f"By {label} for the money: at {r['x']:,.0f} {answer.x.unit} the probability that no other is both as cheap and as good "
        f"is {chance}; {_limit(r, prices, answer.x.unit)}."
    ]
    if r["beats"]:
        metric = METRICS[metric_id]
        span = words.interval(metric, r["low"], r["high"])
        verdict = {
            "better": "it is better than that",
            "worse": "it is worse than that",
            "as_expected": "it is within that",
        }
        said.append(
            f"The others of its kind lead one to expect {words.value(metric, r['expected'])} at that price ({span}): {verdict[r['beats']]}."
        )
    return said


def _limit(r: dict[str, Any], prices: list[dict[str, Any]], unit: str) -> str:
    """At which price it would stand on the frontier in half of the draws, and which of its prices are below that."""
    limit = r["x_on_frontier"]
    if limit is None:
        return "it would stand on the frontier at any price"
    met = [f"{p['kind']} price" for p in prices if p["price_pair"] <= limit]
    missed = [f"{p['kind']} price" for p in prices if p["price_pair"] > limit]
    text = f"that is an even chance up to {limit:,.0f} {unit}"
    if met and missed:
        return f"{text}, so at its {words.listing(met)} but not at its {words.listing(missed)}"
    return f"{text}, so at {'none' if missed else 'each'} of its prices" if met or missed else text
