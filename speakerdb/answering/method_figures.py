"""Figures as the method texts show them: rows of the dictionary by their id, constants by room and module, in words and
units."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from fractions import Fraction
from importlib import import_module
from typing import Any

import numpy as np

from speakerdb import figures, terms
from speakerdb.acoustics import curveset, grid
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS

# The rooms that a text may name a constant of: {{ statistics.places.CRITICAL }}
ROOMS = ("acoustics", "signals", "statistics", "derive", "analysis", "store", "formats", "field", "answering", "upkeep")
_BETTER = {"high": "more is better", "low": "less is better", "neither": "neither direction is better"}


class Room:
    """A room of the package, whose modules are loaded as a text names them."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, module: str) -> Any:
        try:
            return import_module(f"speakerdb.{self._name}.{module}")
        except ModuleNotFoundError:
            raise AttributeError(module) from None


def context() -> dict[str, Any]:
    """What a text may name."""
    return {
        **METRICS,
        **{name: Room(name) for name in ROOMS},
        "terms": terms,
        "METRICS": METRICS,
        "rows": rows,
    }


def plain(value: Any) -> Any:
    """Numbers as a text has them: no more digits than they need, a true minus sign."""
    if isinstance(value, float | np.floating):
        return figures.plain(float(value))
    return figures.number(int(value)) if isinstance(value, int | np.integer) else value


def band(of_band: slice | tuple[float, float]) -> str:
    """'50–100 Hz', '100 Hz–10 kHz', of a band of the grid or of its two ends."""
    return figures.band(*(grid.named(of_band) if isinstance(of_band, slice) else of_band))


def directions(slots: Iterable[int]) -> str:
    """'H 0, ±10, ±20; V −20, −30', of slots of the curve set."""
    words = []
    for orbit, first in (("H", 0), ("V", curveset.PER_ORBIT)):
        angles = [int(curveset.ANGLES_DEG[s - first]) for s in slots if first <= s < first + curveset.PER_ORBIT]
        both = {a for a in angles if a and -a in angles}
        shown = [f"±{a}" if a in both else plain(a) for a in angles if a not in both or a > 0]
        words += [f"{orbit} {', '.join(shown)}"] if angles else []
    return "; ".join(words)


def fraction(value: float) -> str:
    """'1/6', '2'."""
    return str(Fraction(value).limit_denominator(100))


def sd(size: float | tuple[tuple[float, float], ...], unit: str = "dB") -> str:
    """A standard deviation of the error model: '0.15 dB', '0.3 dB to 40 Hz, 0.1 dB from 100 Hz'."""
    if not isinstance(size, tuple):
        return figures.joined(figures.plain(size), unit)
    (first_hz, first), *middle, (last_hz, last) = size
    parts = [
        f"{figures.plain(first)} {unit} to {figures.hertz(first_hz)}",
        *(f"{figures.plain(value)} at {figures.hertz(f)}" for f, value in middle),
    ]
    return ", ".join([*parts, f"{figures.plain(last)} from {figures.hertz(last_hz)}"])


def listed(values: Iterable[Any], word: str = "and") -> str:
    """'40, 63 and 100'."""
    *some, last = [str(plain(v)) for v in values]
    return f"{', '.join(some)} {word} {last}" if some else last


def rows(heading: str) -> str:
    """The metrics under a heading of the text on metrics, as a list."""
    return "\n".join(row(m) for m in METRICS.values() if m.method == f"metrics#{heading}")


def row(metric: Metric) -> str:
    """One metric in the list: label, id, unit, definition, direction, what matters, source."""
    return (
        f"- **{metric.label}** (`{metric.id}`, {metric.unit}): {metric.definition}. "
        f"{_BETTER[metric.better].capitalize()}; "
        f"a difference matters from {metric.matters_words}. Source: {metric.source}."
    )


FILTERS: dict[str, Callable[..., Any]] = {
    "band": band,
    "directions": directions,
    "fraction": fraction,
    "hz": figures.hertz,
    "listed": listed,
    "percent": figures.percent,
    "sd": sd,
    "number": figures.number,
}
