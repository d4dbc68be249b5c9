"""Whether a speaker is worth its price: at list, street and sale price, among its kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.analysis.filters import Limit
from speakerdb.analysis.frontier import ONLY_BOUNDS
from speakerdb.answering.standing import VERDICT, plural
from speakerdb.errors import SpeakerdbError
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS
from speakerdb.report.frames import display_name

if TYPE_CHECKING:
    from speakerdb.analysis.properties import Property
    from speakerdb.library import Database

MERITS = tuple(METRICS[m] for m in VERDICT if METRICS[m].merit is not None)  # what a price is set against
_AGAINST = {"better": "better than expected", "worse": "worse than expected", "as_expected": "as expected"}


def sentences(base: Database, slug: str) -> list[str]:
    """What the field says about its prices, merit by merit: rivals are of its kind; what a price leads to expect, all
    kinds tell."""
    from speakerdb.answering import relating
    from speakerdb.field.selection import Selection

    known = base.facts(slug)
    if not known.prices:
        return ["Not judged: no price is recorded for it."]
    told = [f"{p['kind']} {figures.price(p['price'], p['currency'])}" for p in known.prices]
    kind = known.values["kind"]
    costs = f"{'A pair' if known.prices[0]['per'] == 'pair' else 'One'} costs {figures.listing(told)}"
    if kind is None:
        return [f"{costs}.", "Whether it is worth that is not judged: its kind is unknown."]
    said = [f"{costs}; its rivals are the {plural(kind)}."]
    not_judged: dict[str, list[str]] = {}
    own = Selection((Limit("kind", "kind", "==", kind),))
    for metric in MERITS:
        try:
            price, merit, rivals, open_ = base.field.remember(
                ("rivals", metric.id, kind),
                lambda m=metric.id: relating.tradeoff(base.field, "price", m, own, with_line=False),  # type: ignore[misc]
            )
            every = base.field.remember(
                ("expected", metric.id),
                lambda m=metric.id: relating.expectation(base.field, "price", m, Selection()),  # type: ignore[misc]
            )
        except SpeakerdbError as error:
            not_judged.setdefault(error.message, []).append(metric.phrase)
            continue
        row = _row(rivals.rows, slug)
        reason = _reason(row, open_, merit, slug)
        if reason is None:
            prices = [p for p in known.prices if p["currency"] == price.unit]
            rival = display_name(base, row["beaten_by"]) if row["beaten_by"] else ""
            said.append(front(row, metric, prices, price.unit, rival))
        else:
            not_judged.setdefault(reason, []).append(metric.phrase)
        said += expected(_row(every, slug), metric, kind)
    return [
        *said,
        *(
            f"By {figures.listing(merits)} for the money: not judged, {reason}."
            for reason, merits in not_judged.items()
        ),
    ]


def _row(rows: pl.DataFrame, slug: str) -> dict[str, Any]:
    """The speaker's row, empty where it isn't judged."""
    mine = rows.filter(pl.col("speaker") == slug)
    return mine.row(0, named=True) if len(mine) else {}


def _reason(row: dict[str, Any], not_judged: pl.DataFrame, merit: Property, slug: str) -> str | None:
    """Why a speaker isn't judged. row: of a trade-off, empty where it isn't in it."""
    if row:
        reason: str | None = row["beaten_reason"]
        return None if reason == ONLY_BOUNDS else reason
    reasons = not_judged.filter(pl.col("speaker") == slug)["reason"].to_list()
    return reasons[0].removeprefix(f"{merit.name}: ") if reasons else "it lacks a price or the figure"


def expected(row: dict[str, Any], metric: Metric, kind: str) -> list[str]:
    """What the others of its kind reach at its price; nothing where that can't be said. row: of a trade-off, empty
    where not judged."""
    if not row or not row["beats"] or metric.merit is None:
        return []
    many, one = metric.merit
    span = metric.quantity.interval(row["low"], row["high"])
    makers = figures.count(row["makers"], "maker")
    return [
        f"At this price {plural(kind)} {many} {metric.quantity.text(row['expected'])} ({span}; {makers}); it {one} "
        f"{metric.quantity.number(row['y'])}: {_AGAINST[row['beats']]}."
    ]


def front(row: dict[str, Any], metric: Metric, prices: list[dict[str, Any]], unit: str, rival: str) -> str:
    """From which price on it is more likely beaten than not, and which of its prices lie on the other side of that than
    the one judged.

    row: of a trade-off; prices: kind, price of all in the unit; rival: the name of the one that it is beaten by.
    """
    if row["beaten_reason"] is not None:
        if row["y_censored"] == "none":
            return f"Value can't be told by {metric.phrase}: of rivals no dearer only bounds are known."
        return (
            f"Value can't be told: its {metric.phrase} is only known to be "
            f"{metric.quantity.said(row['y'], row['y_censored'])}."
        )
    by, limit = f"By {metric.phrase} for the money", row["beaten_from"]
    if limit is None:
        return f"{by}: on the front at any price."
    up_to = f"{figures.price(limit, unit)} ({rival})"
    on_front = row["x"] < limit
    others = figures.listing([f"{p['kind']} price" for p in prices if (p["price"] < limit) != on_front])
    if on_front:
        besides = f"; at its {others} more likely beaten than not" if others else ""
        return f"{by}: at {figures.price(row['x'], unit)} on the front, up to {up_to}{besides}."
    besides = f"; at its {others} on the front" if others else ""
    return f"{by}: from {up_to} on it is more likely beaten than not{besides}."
