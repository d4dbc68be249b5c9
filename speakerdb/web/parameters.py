"""What an address asks: its parameters as numbers and words, and what is wrong with them, in words beside the field."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from starlette.datastructures import QueryParams

from speakerdb.analysis.filters import Filters
from speakerdb.analysis.metric_column import TARGETS, Target
from speakerdb.library import Selection
from speakerdb.session import KINDS

MOST_TEXT = 200
PRICE_KINDS = ("street", "list", "sale")


class Ask:
    """The parameters of one address. A parameter that can't be read counts as not given and leaves a problem."""

    def __init__(self, given: QueryParams) -> None:
        self._given = given
        self.problems: dict[str, str] = {}

    @classmethod
    def of(cls, given: Mapping[str, str | list[str]]) -> Ask:
        """As if the address held these parameters."""
        return cls(QueryParams([(k, v) for k, vs in given.items() for v in ([vs] if isinstance(vs, str) else vs)]))

    def raw(self, name: str) -> str:
        """The parameter as it was typed, for showing it in its field again."""
        return self._given.get(name, "")[:MOST_TEXT]

    def given(self) -> dict[str, str]:
        """Every parameter as typed."""
        return {name: self.raw(name) for name in self._given}

    def any(self, *names: str) -> bool:
        """Whether any of the parameters is given."""
        return any(self.raw(name) for name in names)

    def text(self, name: str) -> str | None:
        return self.raw(name).replace("\0", "").strip() or None

    def number(self, name: str, low: float = 0.0, high: float = 1e9) -> float | None:
        """A number within limits, a decimal comma understood."""
        text = self.text(name)
        if text is None:
            return None
        try:
            value = float(text.replace(",", ".").replace("−", "-"))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            self.problems[name] = f"“{text}” is not a number"
        elif not low <= value <= high:
            self.problems[name] = f"{text} is outside {low:g} to {high:g}"
        else:
            return value
        return None

    def whole(self, name: str, low: int = 0, high: int = 10**6) -> int | None:
        value = self.number(name, low, high)
        if value is not None and not value.is_integer():
            self.problems[name] = f"{self.raw(name)} is not a whole number"
            return None
        return None if value is None else int(value)

    def choice(self, name: str, options: Iterable[str]) -> str | None:
        text = self.text(name)
        known = list(options)
        if text is not None and text not in known:
            shown = ", ".join(known[:12]) + (" …" if len(known) > 12 else "")
            self.problems[name] = f"“{text}” is not among {shown}"
            return None
        return text

    def flag(self, name: str) -> bool:
        return self.choice(name, ("yes", "no")) == "yes"

    def many(self, name: str, most: int = 100) -> list[str]:
        """Every value of a repeated parameter, also comma-separated ones, each once."""
        values = [part.strip() for text in self._given.getlist(name) for part in text.split(",")]
        return list(dict.fromkeys(v for v in values if v))[:most]


# Limits that the filter form offers: name in the address, heading, unit
LIMITS = (
    ("price_min", "Price from", ""), ("price_max", "Price to", ""), ("year_min", "Year from", ""),
    ("year_max", "Year to", ""), ("volume_max", "Volume to", "l"), ("height_max", "Height to", "mm"),
    ("width_max", "Width to", "mm"), ("depth_max", "Depth to", "mm"), ("mass_max", "Mass to", "kg"),
)  # fmt: skip
FILTER_NAMES = ("kind", "powered", "price_kind", "currency", "all_settings", *(name for name, _, _ in LIMITS))


def selection(ask: Ask, currencies: Sequence[str]) -> Selection:
    """Whom the page is about, from the filter parameters; what is wrong with them stands in ask.problems."""
    powered = ask.choice("powered", ("yes", "no"))
    filters = Filters(
        kind=ask.choice("kind", KINDS),
        price_min=ask.number("price_min"),
        price_max=ask.number("price_max"),
        year_min=ask.whole("year_min", 1800, 2200),
        year_max=ask.whole("year_max", 1800, 2200),
        volume_max_l=ask.number("volume_max"),
        height_max_mm=ask.number("height_max"),
        width_max_mm=ask.number("width_max"),
        depth_max_mm=ask.number("depth_max"),
        mass_max_kg=ask.number("mass_max"),
        powered=None if powered is None else powered == "yes",
    )
    currency = ask.choice("currency", currencies)
    return Selection(filters, currency, ask.choice("price_kind", PRICE_KINDS), ask.flag("all_settings"))


def target(ask: Ask) -> Target:
    """What intervals and places are to hold; as measured where nothing is said."""
    named = ask.choice("target", TARGETS)
    return next((t for t in TARGETS if t == named), "as_measured")


def filter_address(ask: Ask) -> dict[str, str]:
    """The filter parameters that are set, for links that keep them."""
    return {name: ask.raw(name) for name in FILTER_NAMES if ask.raw(name)}
