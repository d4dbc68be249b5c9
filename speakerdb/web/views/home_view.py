"""The first page: a door for each kind of reader."""

from __future__ import annotations

from typing import Any

from speakerdb.answering.standing import VERDICT
from speakerdb.library import Database
from speakerdb.metrics import METRICS
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.relations import FOLLOWED, OVER, TRADE_EXAMPLES, TRADED, TRADED_FACTS, TREND_EXAMPLES, label
from speakerdb.web.views.room_view import LOUD, examples

NEWEST = 8  # speakers shown
LEADERS = 6  # metrics whose ranking is linked


def home(desk: Desk, ask: Ask) -> View:
    """The page."""
    content = {
        "ask": ask,
        "loud": LOUD,
        "currencies": desk.ask("currencies", lambda base: base.field.currencies()),
        "rooms": examples(),
        "newest": desk.ask("newest", _newest),
        "trade_examples": TRADE_EXAMPLES,
        "trend_examples": TREND_EXAMPLES,
        "traded": TRADED,
        "facts": TRADED_FACTS,
        "ranked": FOLLOWED,
        "overs": [(name, label(name)) for name in OVER],
        "firsts": [(m, METRICS[m].label) for m in VERDICT if METRICS[m].better != "neither"][:LEADERS],
    }
    return View("home.html", content)


def _newest(base: Database) -> list[dict[str, Any]]:
    """The newest session of each of the speakers measured last."""
    rows = base.query("sessions").rows.unique("speaker", keep="first", maintain_order=True)
    return rows.head(NEWEST).select("speaker", "setting", "lab", "date").to_dicts()
