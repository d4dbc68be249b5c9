"""Trade-offs and trends: one property of the field against another, over time, between kinds."""

from __future__ import annotations

from typing import Any

import polars as pl

from speakerdb.analysis.grouping import GROUPINGS
from speakerdb.analysis.properties import FACTS
from speakerdb.charts.tradeoff_chart import MOST_POINTS
from speakerdb.errors import SpeakerdbError
from speakerdb.metrics import METRICS, RANKED
from speakerdb.questions.documents import rows as table_rows
from speakerdb.questions.tradeoff import Trade, Tradeoff
from speakerdb.questions.trend import Trend
from speakerdb.report import pictures
from speakerdb.statistics.permutation import PERMUTATIONS
from speakerdb.terms import KINDS, PRICE_KINDS
from speakerdb.web import asides
from speakerdb.web.parameters import LIMITS, Ask, filter_address
from speakerdb.web.site import Desk
from speakerdb.web.views import View

ROWS = 50
MOST_NAMED = 200  # speakers that can't be judged are named up to so many
LIKELY = 0.5  # of standing on the frontier
# What may be traded: properties with a better direction
TRADED = [m.id for m in RANKED if m.better != "neither"]
TRADED_FACTS = [(name, label) for name, (label, better) in FACTS.items() if better != "neither"]
FOLLOWED = [m.id for m in RANKED]
OVER = ("year", "price", "volume_l", "mass_kg")  # facts that trends run over
# Questions worth asking first, by name, as the address asks them
TRADE_EXAMPLES = (
    ("price and predicted preference", {"x": "price", "y": "preference"}),
    ("size and bass", {"x": "volume_l", "y": "f6_hz"}),
    ("price and compression-limited SPL", {"x": "price", "y": "max_level_db"}),
    ("price and directivity ripple", {"x": "price", "y": "di_power_ripple_db"}),
)
TREND_EXAMPLES = (
    ("predicted preference over the years", {"metric": "preference", "over": "year"}),
    ("LF extension by kind", {"metric": "f6_hz", "over": "kind"}),
    ("vertical off-axis timbre by layout", {"metric": "tone_width_vertical_deg", "over": "layout"}),
    ("directivity index over the years", {"metric": "di_power_mean_db", "over": "year"}),
)


def label(name: str) -> str:
    """A metric's or a fact's name as printed."""
    return METRICS[name].label if name in METRICS else FACTS[name][0] if name in FACTS else name.capitalize()


def _shared(desk: Desk, ask: Ask) -> dict[str, Any]:
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    return {
        "ask": ask,
        "kinds": KINDS,
        "limits": LIMITS,
        "currencies": currencies,
        "price_kinds": PRICE_KINDS,
        "label": label,
        "kept": filter_address(ask),
        "page": ask.whole("page", 1, 10**6) or 1,
        "found": None,
        "problem": "",
    }


def tradeoffs(desk: Desk, ask: Ask, *, rows: int = ROWS) -> View:
    """Two properties against each other."""
    content = _shared(desk, ask)
    x = ask.choice("x", [*FACTS, *METRICS]) or "price"
    y = ask.choice("y", [*FACTS, *METRICS]) or "preference"
    page = content["page"]
    content |= {"x": x, "y": y, "traded": TRADED, "facts": TRADED_FACTS, "examples": TRADE_EXAMPLES}
    try:
        found = desk.answer(ask.read(Tradeoff, x=x, y=y) or Tradeoff(x, y))
    except SpeakerdbError as error:
        return View("tradeoffs.html", content | {"problem": error.message})
    printed = desk.ask("names", asides.names)
    likely = found.rows.filter(pl.col("p_frontier_low") >= LIKELY)
    return View(
        "tradeoffs.html",
        content
        | {
            "found": found,
            "rows": table_rows(found.rows.slice((page - 1) * rows, rows), Trade),
            "total": len(found.rows),
            "pages": -(-len(found.rows) // rows),
            "likely": likely["speaker"].head(8).to_list(),
            "likely_total": len(likely),
            "line": found.line.to_dicts(),
            "filters": found.filters,
            "not_judged": found.not_judged.head(MOST_NAMED).to_dicts(),
            "not_judged_total": len(found.not_judged),
            "picture": pictures.tradeoff_figure(found, [printed[s] for s in likely["speaker"].head(8)]),
            "slugs": _slugs(desk, found.rows["speaker"]),
            "drawn": ("/drawn/trade-offs.js", {"x": x, "y": y, **content["kept"]}),
        },
    )


def _slugs(desk: Desk, speakers: pl.Series) -> dict[str, str]:
    """Name as printed -> slug, of the speakers that a chart draws."""
    names = desk.ask("names", asides.names)
    return {names[slug]: slug for slug in speakers.head(MOST_POINTS)}


def trends(desk: Desk, ask: Ask, *, rows: int = ROWS) -> View:
    """One property over another quantity, or by groups."""
    content = _shared(desk, ask)
    metric = ask.choice("metric", FOLLOWED) or "preference"
    over = ask.choice("over", [*OVER, *GROUPINGS, *FOLLOWED]) or "year"
    page = content["page"]
    content |= {
        "metric": metric,
        "over": over,
        "ranked": FOLLOWED,
        "examples": TREND_EXAMPLES,
        "overs": [(name, label(name)) for name in (*OVER, *GROUPINGS)],
    }
    try:
        answer = desk.answer(ask.read(Trend, metric=(metric,), over=over) or Trend((metric,), over))
    except SpeakerdbError as error:
        return View("trends.html", content | {"problem": error.message})
    found, told = answer.found[0], answer.trends[0]
    open_rows = pl.concat([found.unknown, answer.not_judged], how="vertical_relaxed")
    return View(
        "trends.html",
        content
        | {
            "slope": told["slope"],
            "groups": told["groups"],
            "rows": told["points"][(page - 1) * rows : page * rows],
            "total": len(found.points),
            "pages": -(-len(found.points) // rows),
            "filters": answer.filters,
            "cautions": found.cautions,
            "permutations": PERMUTATIONS,
            "not_judged": open_rows.head(MOST_NAMED).to_dicts(),
            "not_judged_total": len(open_rows),
            "picture": pictures.trend_figure(answer),
            "slugs": _slugs(desk, found.points["speaker"]),
            "drawn": ("/drawn/trends.js", {"metric": metric, "over": over, **content["kept"]}),
        },
    )
