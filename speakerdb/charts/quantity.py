"""What an axis shows: a metric of the dictionary, or a fact such as the price."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.analysis.properties import FACTS, UNITS_OF_LOG
from speakerdb.figures import Quantity
from speakerdb.metric import Better
from speakerdb.metrics import METRICS

if TYPE_CHECKING:
    pass


TICK = figures.vega("datum.value")  # the label of a tick


@dataclass(frozen=True)
class Plotted:
    """Name, better direction and scale of something that is plotted, and how its values are written."""

    label: str
    quantity: Quantity = field(default_factory=Quantity)
    better: Better = "neither"
    log: bool = False

    @property
    def title(self) -> str:
        return figures.headed(self.label, self.quantity.unit)

    @property
    def step(self) -> float:
        """The last decimal that is shown."""
        return float(10.0 ** -(self.quantity.decimals or 0))


def plotted(name: str, *, currency: str | None = None) -> Plotted:
    """What stands behind a metric id or the name of a fact; a price is in `currency`. Raises KeyError."""
    if name in METRICS:
        m = METRICS[name]
        return Plotted(m.label, m.quantity, m.better, m.scale == "log")
    label, better = FACTS[name]
    what = replace(figures.FACTS[name], unit=currency) if name == "price" and currency else figures.FACTS[name]
    return Plotted(label, what, better, name in UNITS_OF_LOG)


def scale(what: Plotted, values: list[float], *, margin: float = 0.05) -> dict[str, Any]:
    """A linear or log scale around the finite values, with a little room at both ends."""

    finite = [v for v in values if v is not None and math.isfinite(v) and (v > 0 or not what.log)]
    if not finite:
        return {"domain": [1, 10] if what.log else [0, 1]}
    low, high = min(finite), max(finite)
    if what.log:
        ratio = max((high / low) ** margin, 1.03)
        return {"type": "log", "domain": [low / ratio, high * ratio], "nice": False}
    room = max((high - low) * margin, what.step)
    return {"domain": [low - room, high + room], "nice": False, "zero": False}


def axis(what: Plotted, scale_: dict[str, Any], *, count: int = 6, **more: Any) -> dict[str, Any]:
    """An axis with the quantity's title; log axes get round 1-2-5 ticks so that labels never crowd."""

    title = more.pop("title", what.title)
    if scale_.get("type") == "log":
        low, high = scale_["domain"]
        ticks = _round_ticks(low, high, count)
        return dict(title=title, values=ticks, labelExpr=TICK, **more)
    least = {"tickMinStep": 1} if what.quantity == figures.FACTS["year"] else {}
    return dict(title=title, tickCount=count, labelExpr=TICK, **least, **more)


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
