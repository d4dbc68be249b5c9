"""What an axis shows: a metric of the dictionary, or a fact such as the price."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from speakerdb import figures
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class Quantity:
    """Name, unit, better direction, scale and digits of something that is plotted."""

    label: str
    unit: str
    better: Literal["high", "low", "neither"] = "neither"
    log: bool = False
    decimals: int = 0
    whole: bool = False  # a count or a year: no thousands separator

    @classmethod
    def of(cls, metric: Metric) -> Quantity:
        return cls(metric.label, metric.unit, metric.better, metric.scale == "log", metric.quantity.decimals or 0)

    @property
    def title(self) -> str:
        return f"{self.label} ({self.unit})" if self.unit else self.label

    def text(self, value: float | None, censored: str = "none") -> str:
        """A value as words: sign of censoring, digits of the dictionary, true minus; – where unknown."""
        return figures.Quantity(self.unit, self.decimals).number(value, censored)


FACTS: dict[str, Quantity] = {
    "price": Quantity("Price of a pair", "", "low", log=True),
    "volume": Quantity("Outer volume", "l", "low", log=True, decimals=1),
    "volume_l": Quantity("Outer volume", "l", "low", log=True, decimals=1),
    "mass_kg": Quantity("Mass", "kg", "low", log=True, decimals=1),
    "year": Quantity("Year", "", whole=True),
}


def quantity(name: str, *, currency: str | None = None) -> Quantity:
    """The quantity behind a metric id or the name of a fact; a price is in `currency`. Raises KeyError."""
    if name in METRICS:
        return Quantity.of(METRICS[name])
    found = FACTS[name]
    return Quantity("Price of a pair", currency, "low", log=True) if name == "price" and currency else found


def scale(what: Quantity, values: list[float], *, margin: float = 0.05) -> alt.Scale:
    """A linear or log scale around the finite values, with a little room at both ends."""
    import altair as alt

    finite = [v for v in values if v is not None and math.isfinite(v) and (v > 0 or not what.log)]
    if not finite:
        return alt.Scale(domain=[1, 10] if what.log else [0, 1])
    low, high = min(finite), max(finite)
    if what.log:
        ratio = max((high / low) ** margin, 1.03)
        return alt.Scale(type="log", domain=[low / ratio, high * ratio], nice=False)
    room = max((high - low) * margin, 10.0**-what.decimals)
    return alt.Scale(domain=[low - room, high + room], nice=False, zero=False)


def axis(what: Quantity, scale_: alt.Scale, *, count: int = 6, **more: Any) -> alt.Axis:
    """An axis with the quantity's title; log axes get round 1-2-5 ticks so that labels never crowd."""
    import altair as alt

    title = more.pop("title", what.title)
    settings = scale_.to_dict()
    if settings.get("type") == "log":
        low, high = settings["domain"]
        ticks = _round_ticks(low, high, count)
        return alt.Axis(title=title, values=ticks, format=",~r" if max(ticks) >= 1000 else "~r", **more)
    return alt.Axis(title=title, tickCount=count, format="d" if what.whole else "~f", **more)


def _round_ticks(low: float, high: float, most: int) -> list[float]:
    """Ticks 1-2-5 (or finer, or decades only) within a range, at most so many where a choice exists."""
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ladders = ((1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9), (1, 1.5, 2, 3, 4, 5, 7), (1, 2, 3, 5, 7), (1, 2, 5), (1, 3), (1,))
    for ladder in ladders:
        ticks = [round(m * 10.0**d, 10) for d in decades for m in ladder if low <= m * 10.0**d <= high]
        if len(ticks) <= most:
            break
    if len(ticks) < 2:  # a range narrower than any ladder: its own ends will do
        digits = 1 - math.floor(math.log10(max(high - low, 1e-9)))
        ticks = sorted({round(low + (high - low) * s, max(digits, 0)) for s in (0.1, 0.5, 0.9)})
    return ticks
