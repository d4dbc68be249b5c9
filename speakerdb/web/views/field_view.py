"""The field: every speaker with chosen columns, filtered, in an order, a page of rows at a time."""

from __future__ import annotations

import string
from typing import Any

from speakerdb.answering.tabling import FACTS
from speakerdb.metric import GROUPS
from speakerdb.metrics import METRICS
from speakerdb.questions.table import COLUMNS, Table
from speakerdb.terms import KINDS, PRICE_KINDS
from speakerdb.web.parameters import LIMITS, Ask, filter_address
from speakerdb.web.rendering import note
from speakerdb.web.site import Desk
from speakerdb.web.views import View

ROWS = 50


def field(desk: Desk, ask: Ask, *, rows: int = ROWS) -> View:
    """The field page. A view is what its address says."""
    currencies = desk.ask("currencies", lambda base: base.field.currencies())
    known = [*FACTS, *METRICS]
    columns = tuple(c for c in ask.many("column") if c in known) or COLUMNS
    sort = ask.choice("sort", known)
    page = ask.whole("page", 1, 10**6) or 1
    asked = ask.read(Table, column=columns, sort=sort, start=(page - 1) * rows, count=rows) or Table(column=columns)
    found = desk.document(asked)
    kept = {**filter_address(ask), "named": asked.named, "column": [] if columns == COLUMNS else list(columns)}
    return View(
        "field.html",
        {
            "table": found,
            "notes": notes(found["rows"]),
            "columns": columns,
            "ask": ask,
            "kept": kept,
            "page": page,
            "pages": -(-found["total"] // rows),
            "sort": sort,
            "descending": asked.descending,
            "facts": FACTS,
            "groups": GROUPS,
            "kinds": KINDS,
            "limits": LIMITS,
            "currencies": currencies,
            "price_kinds": PRICE_KINDS,
            "limits_used": any(ask.raw(name) for name, _, _ in LIMITS[2:]) or bool(ask.raw("price_kind")),
        },
    )


def notes(rows: list[dict[str, Any]]) -> dict[str, str]:
    """Marks for what has to be said of values: words -> a, b … z, aa …"""
    every = (m for row in rows for m in (row["metrics"] or {}).values())
    told = [note(m) for m in every if m["value"] is None or m["reason"]]
    letters = string.ascii_lowercase
    return {
        reason: letters[i] if i < 26 else letters[i // 26 - 1] + letters[i % 26]
        for i, reason in enumerate(dict.fromkeys(told))
    }
