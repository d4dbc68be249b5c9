"""The dictionary, and one metric with the speakers ranked by it."""

from __future__ import annotations

from typing import Any

from speakerdb.answering import method
from speakerdb.field.naming import find_metric
from speakerdb.metric import GROUPS
from speakerdb.metrics import METRICS
from speakerdb.questions.documents import rows as table_rows
from speakerdb.questions.rank import Rank, RankRow
from speakerdb.report import pictures
from speakerdb.terms import KINDS, PRICE_KINDS, Target
from speakerdb.web import asides
from speakerdb.web.drawn import RANKED
from speakerdb.web.parameters import LIMITS, Ask, filter_address
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.field_view import ROWS

MOST_NAMED = 200  # speakers that have no place are named up to so many
STATEMENTS: tuple[tuple[Target, str], ...] = (
    ("as_measured", "as measured on this bench"),
    ("absolute", "with the bench’s own error"),
    ("another_unit", "of another unit you would buy"),
)


def dictionary(desk: Desk, ask: Ask) -> View:
    """Every metric with its definition."""
    groups = {words: [m for m in METRICS.values() if m.group == group] for group, words in GROUPS.items()}
    return View("dictionary.html", {"groups": groups})


def metric(desk: Desk, ask: Ask, name: str, *, rows: int = ROWS) -> View:
    """One metric: what it means, and who stands where."""
    found = find_metric(name)
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    asked = ask.read(Rank, metric=found.id) or Rank(found.id)
    page = ask.whole("page", 1, 10**6) or 1
    kept = filter_address(ask) | {"target": ask.text("target")}
    content: dict[str, Any] = {
        "total": 0,
        "rows": [],
        "pages": 0,
        "picture": None,
        "withheld": [],
        "withheld_total": 0,
        "cautions": (),
    }
    if found.ranked:
        answer = desk.answer(asked)
        ok, withheld = answer.rows, answer.withheld
        content = {
            "total": len(ok),
            "rows": table_rows(ok.slice((page - 1) * rows, rows), RankRow),
            "pages": -(-len(ok) // rows),
            "withheld": withheld.head(MOST_NAMED).to_dicts(),
            "withheld_total": len(withheld),
            "cautions": answer.cautions,
        }
        if page == 1 and len(ok):
            printed = desk.ask("names", asides.names)
            named = [
                (printed[speaker], found.quantity.text(value, censored))
                for speaker, value, censored in ok.head(RANKED).select("speaker", "value", "censored").iter_rows()
            ]
            content |= {
                "picture": pictures.ranking_figure(found.label, named),
                "drawn": ("/drawn/metric.js", {"metric": found.id, **kept}),
            }
    return View(
        "metric.html",
        content
        | {
            "metric": found,
            "method": method.of_metric(found.id),
            "page": page,
            "ask": ask,
            "kept": kept,
            "jointly": asked.jointly,
            "kinds": KINDS,
            "limits": LIMITS,
            "currencies": currencies,
            "price_kinds": PRICE_KINDS,
            "statements": STATEMENTS,
        },
    )
