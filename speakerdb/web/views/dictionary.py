"""The dictionary, and one metric with the speakers ranked by it."""

from __future__ import annotations

from speakerdb.dictionary import METRICS
from speakerdb.library.naming import find_metric
from speakerdb.session import KINDS
from speakerdb.web import answers
from speakerdb.web.asking import LIMITS, PRICE_KINDS, Ask, filter_address, selection
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.field import GROUPS, ROWS


def dictionary(desk: Desk, ask: Ask) -> View:
    """Every metric with its definition."""
    groups = {words: [m for m in METRICS.values() if m.group == group] for group, words in GROUPS.items()}
    return View("dictionary.html", {"groups": groups})


def metric(desk: Desk, ask: Ask, name: str, *, rows: int = ROWS) -> View:
    """One metric: what it means, and who stands where."""
    found = find_metric(name)
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    whom = selection(ask, currencies)
    page = ask.whole("page", 1, 10**6) or 1
    ranks, shown = None, []
    if found.ranked:
        ranks = desk.ask(("ranks", found.id, whom, None), lambda base: answers.ranks(base, found.id, whom, None))
        shown = ranks["rows"][(page - 1) * rows : page * rows]
    return View(
        "metric.html",
        {"metric": found, "ranks": ranks, "rows": shown, "page": page, "ask": ask, "kept": filter_address(ask),
         "pages": -(-len(ranks["rows"]) // rows) if ranks else 0, "kinds": KINDS, "limits": LIMITS,
         "currencies": currencies, "price_kinds": PRICE_KINDS},
    )  # fmt: skip
