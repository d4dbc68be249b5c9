"""Axes that several charts share: log frequency, levels, and inline data.

Here as in all charts, axes, scales and legends are plain dicts: altair copies a chart with every layer, and an object
for each of these would be copied with the hundreds of options that it leaves out. The tests hold every chart against
the schema all the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts.theme import GRID

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

LABELLED_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
_TICKS_HZ = tuple(m * 10**e for e in (1, 2, 3, 4) for m in range(1, 10) if 20 <= m * 10**e <= 20000)
DB_PER_DECADE = 25.0  # a decade of frequency is drawn as long as 25 dB


def inline(frame: pl.DataFrame, decimals: int = 2) -> Any:
    """A frame as inline chart data: floats rounded, NaN and infinity null.

    The rows go in as one JSON text: thousands of them as Python objects would be checked and copied again and again.
    """
    import altair as alt
    import polars as pl
    import polars.selectors as cs

    floats = cs.float()
    rounded = frame.with_columns(pl.when(floats.is_finite()).then(floats.cast(pl.Float64).round(decimals)))
    return alt.InlineData(values=rounded.write_json(), format=alt.JsonDataFormat(type="json"))


def frequency_x(
    field: str = "frequency_hz", *, title: bool = True, labels: bool = True, domain: tuple[float, float] = (20, 20000)
) -> alt.X:
    """A log frequency axis with the labels the trade expects; `domain` trims it to what was measured."""
    import altair as alt

    ticks = [f for f in _TICKS_HZ if domain[0] <= f <= domain[1]]
    major = " || ".join(f"datum.value == {f}" for f in LABELLED_HZ)
    label = f"({major}) ? (datum.value < 1000 ? datum.value : datum.value / 1000 + 'k') : ''"
    axis = {
        "values": ticks,
        "labels": labels,
        "labelExpr": label,
        "labelOverlap": False,
        "title": "Frequency (Hz)" if title else None,
        "labelFlush": False,
        "tickSize": 4 if labels else 0,
        "gridColor": GRID.light,
        "gridOpacity": alt.condition(major, alt.value(1), alt.value(0.45)),
    }
    return alt.X(f"{field}:Q", axis=axis, scale={"type": "log", "domain": list(domain), "nice": False})


def level_height(width: int, span_db: float, domain: tuple[float, float] = (20, 20000)) -> int:
    """Plot height in pixels so that 25 dB are as long as a decade of frequency."""
    decade = width / math.log10(domain[1] / domain[0])
    return max(60, round(span_db / DB_PER_DECADE * decade))


def level_domain(
    levels: Iterable[float | None],
    *,
    most_db: float = 50.0,
    least_db: float = 20.0,
    step_db: float = 5.0,
    margin_db: float = 1.0,
) -> tuple[float, float]:
    """A range of levels in whole steps: the top above the highest value, at most `most_db` down, at least
    `least_db`."""
    finite = [v for v in levels if v is not None and math.isfinite(v)]
    if not finite:
        return (0.0, least_db)
    top = math.ceil((max(finite) + margin_db) / step_db) * step_db
    bottom = math.floor((min(finite) - margin_db) / step_db) * step_db
    bottom = max(bottom, top - most_db)
    return (min(bottom, top - least_db), top)


def level_y(field: str, title: str, domain: tuple[float, float], step_db: float = 10.0) -> alt.Y:
    """A level axis in dB with a tick every `step_db`."""
    import altair as alt

    first = math.ceil(domain[0] / step_db)
    ticks = [step_db * i for i in range(first, math.floor(domain[1] / step_db) + 1)]
    axis = {"values": ticks, "title": title, "labelExpr": figures.vega("datum.value")}
    return alt.Y(f"{field}:Q", axis=axis, scale={"domain": list(domain), "nice": False, "zero": False})


def spread(positions: list[float], gap: float, low: float, high: float) -> list[float]:
    """Move label positions apart to at least `gap`, each as near to its own as the order allows, within low…high.

    Least-squares with order kept (pooling of neighbours that collide), so labels stay beside what they name.
    """
    order = sorted(range(len(positions)), key=lambda i: positions[i])
    blocks: list[list[float]] = []  # [mean of (position - rank offset), count]
    for rank, i in enumerate(order):
        blocks.append([positions[i] - rank * gap, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            value, count = blocks.pop()
            before = blocks[-1]
            before[0] = (before[0] * before[1] + value * count) / (before[1] + count)
            before[1] += count
    free = [value for value, count in blocks for _ in range(int(count))]
    last = high - gap * (len(positions) - 1)
    placed = [0.0] * len(positions)
    for rank, i in enumerate(order):
        placed[i] = min(max(free[rank], low), max(last, low)) + rank * gap
    return placed
