"""Trade-offs and trends: one property of the field against another, over time, between kinds."""

from __future__ import annotations

from typing import Any

from speakerdb.analysis.properties import FACTS
from speakerdb.analysis.trend import GROUPINGS
from speakerdb.dictionary import METRICS
from speakerdb.errors import SpeakerdbError
from speakerdb.session import KINDS
from speakerdb.web import answers
from speakerdb.web.asking import LIMITS, PRICE_KINDS, Ask, filter_address, selection
from speakerdb.web.site import Desk
from speakerdb.web.views import View

ROWS = 50
# What may be traded: properties with a better direction
TRADED = [m.id for m in METRICS.values() if m.ranked and m.better != "neither"]
TRADED_FACTS = [(name, label) for name, (label, _, better) in FACTS.items() if better != "neither"]
RANKED = [m.id for m in METRICS.values() if m.ranked]
OVER = ("year", "price", "volume_l", "mass_kg")  # facts that trends run over
# Questions worth asking first, by name, as the address asks them
TRADE_EXAMPLES = (
    ("price and predicted preference", {"x": "price", "y": "preference"}),
    ("size and bass", {"x": "volume_l", "y": "f6_hz"}),
    ("price and maximum level", {"x": "price", "y": "max_level_db"}),
    ("price and evenness of directivity", {"x": "price", "y": "di_power_ripple_db"}),
)
TREND_EXAMPLES = (
    ("predicted preference over the years", {"metric": "preference", "over": "year"}),
    ("bass limit by kind", {"metric": "f6_hz", "over": "kind"}),
    ("vertical tone width by layout", {"metric": "tone_width_vertical_deg", "over": "layout"}),
    ("directivity index over the years", {"metric": "di_power_mean_db", "over": "year"}),
)


def label(name: str) -> str:
    """A metric's or a fact's name as printed."""
    return METRICS[name].label if name in METRICS else FACTS[name][0] if name in FACTS else name.capitalize()


def _shared(desk: Desk, ask: Ask) -> dict[str, Any]:
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    return {
        "ask": ask, "kinds": KINDS, "limits": LIMITS, "currencies": currencies, "price_kinds": PRICE_KINDS, "label": label,
        "kept": filter_address(ask), "whom": selection(ask, currencies), "page": ask.whole("page", 1, 10**6) or 1,
        "found": None, "problem": "",
    }  # fmt: skip


def tradeoffs(desk: Desk, ask: Ask) -> View:
    """Two properties against each other."""
    content = _shared(desk, ask)
    x = ask.choice("x", [*FACTS, *METRICS]) or "price"
    y = ask.choice("y", [*FACTS, *METRICS]) or "preference"
    whom, page = content["whom"], content["page"]
    content |= {"x": x, "y": y, "traded": TRADED, "facts": TRADED_FACTS, "examples": TRADE_EXAMPLES}
    try:
        found = desk.ask(("tradeoff", x, y, whom), lambda base: answers.tradeoff(base, x, y, whom))
    except SpeakerdbError as error:
        return View("tradeoffs.html", content | {"problem": error.message})
    rows = found["rows"]
    return View(
        "tradeoffs.html",
        content
        | {"found": found, "rows": rows[(page - 1) * ROWS : page * ROWS], "pages": -(-len(rows) // ROWS),
           "likely": [r for r in rows if r["p_frontier"] >= 0.5],
           "slugs": {desk.ask("names", answers.names)[r["speaker"]]: r["speaker"] for r in rows[:2000]}},
    )  # fmt: skip


def trends(desk: Desk, ask: Ask) -> View:
    """One property over another quantity, or by groups."""
    content = _shared(desk, ask)
    metric = ask.choice("metric", RANKED) or "preference"
    over = ask.choice("over", [*OVER, *GROUPINGS, *RANKED]) or "year"
    whom, page = content["whom"], content["page"]
    content |= {
        "metric": metric, "over": over, "ranked": RANKED, "examples": TREND_EXAMPLES,
        "overs": [(name, label(name)) for name in (*OVER, *GROUPINGS)],
    }  # fmt: skip
    try:
        found = desk.ask(("trend", metric, over, whom), lambda base: answers.trend(base, (metric,), over, whom))
    except SpeakerdbError as error:
        return View("trends.html", content | {"problem": error.message})
    trend = found["trends"][0]
    points = trend["points"]
    return View(
        "trends.html",
        content
        | {"found": found, "trend": trend, "rows": points[(page - 1) * ROWS : page * ROWS], "pages": -(-len(points) // ROWS),
           "slugs": {desk.ask("names", answers.names)[p["speaker"]]: p["speaker"] for p in points[:2000]}},
    )  # fmt: skip
