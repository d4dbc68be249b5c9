"""Whether a speaker is worth its price: at list, street and sale price."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from speakerdb.library import Database


def sentences(base: Database, slug: str) -> list[str]:
    """What the field says about its prices."""
    prices = base.facts(slug).prices
    if not prices:
        return ["Not judged: no price is recorded for it."]
    return [f"{p['kind'].capitalize()} price: {p['price_pair']:,.0f} {p['currency']} a pair." for p in prices]
