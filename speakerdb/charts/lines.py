"""Lines over frequency: the panel that all curve charts are made of."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import axes, theme

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

LABEL_PX = 15  # least distance between two labels at the ends of lines
_LABEL_LIMIT = 190
_LONGEST_IN_TWO_COLUMNS = 18
_STEM_PX, _TEXT_PX = 20, 25


@dataclass(frozen=True)
class Style:
    """How one line of a panel looks: dash never stands without colour, nor colour without dash or width."""

    colour: str
    dash: tuple[int, ...] = ()
    width: float = 2.0


def styles(count: int) -> list[Style]:
    """Up to five lines that are told apart by colour and dash."""
    return [Style(c.light, d) for c, d in zip(theme.SERIES[:count], theme.DASHES[:count], strict=True)]


def ramp(count: int) -> list[Style]:
    """Lines of growing drive or angle: darker and wider from the first to the last, each labelled at its end."""
    last = len(theme.DRIVES) - 1
    steps = [round(last * i / max(count - 1, 1)) for i in range(count)]
    return [
        Style(theme.DRIVES[s].light, theme.DASHES[i % 3], 1.4 + 1.2 * i / max(count - 1, 1))
        for i, s in enumerate(steps)
    ]


@dataclass(frozen=True)
class Panel:
    """One plot of lines. frame columns: series (text, in `names`), frequency_hz, and the field in `y`."""

    frame: pl.DataFrame
    names: Sequence[str]
    looks: Sequence[Style]
    y: str
    y_title: str
    domain_y: tuple[float, float]
    width: int
    height: int
    step_db: float = 10.0
    domain_x: tuple[float, float] = (20, 20000)
    bottom: bool = True  # carries the frequency labels (the lowest of stacked panels)
    named: bool = True  # names its lines (the first of stacked panels that share them)
    unit: str = "dB"
    log_y: bool = False


def draw(
    panel: Panel, *, hover: bool, y: alt.Y | None = None, under: Sequence[Any] = (), over: Sequence[Any] = ()
) -> Any:
    """The panel as a layered chart. `y` replaces the level axis; `under` and `over` are layers drawn beneath and above
    the lines."""
    import altair as alt

    names = list(panel.names)
    by_name = {"title": None, "symbolType": "stroke", "columns": _columns(names)} if _legend(panel) else None
    colour = alt.Color(
        "series:N", legend=by_name, sort=names, scale={"domain": names, "range": [s.colour for s in panel.looks]}
    )
    dash = alt.StrokeDash(
        "series:N",
        legend=by_name,
        sort=names,
        scale={"domain": names, "range": [list(s.dash) or [1, 0] for s in panel.looks]},
    )
    x = axes.frequency_x(title=panel.bottom, labels=panel.bottom, domain=panel.domain_x)
    y = y or axes.level_y(panel.y, panel.y_title, panel.domain_y, panel.step_db)
    lines = [
        alt.Chart(axes.inline(panel.frame.select("series", "frequency_hz", panel.y)))
        .mark_line(clip=True, aria=False, interpolate="monotone")
        .encode(x=x, y=y, color=colour, strokeDash=dash, strokeWidth=_widths(names, panel.looks, by_name))
    ]
    ends = [] if _legend(panel) or not panel.named else _end_labels(panel, y)
    hovering = [_hover(panel, x)] if hover else []
    return alt.layer(*under, *lines, *over, *ends, *hovering).properties(width=panel.width, height=panel.height)


def _columns(names: list[str]) -> int:
    """Names side by side on a phone where they are short enough."""
    return 2 if max(map(len, names)) <= _LONGEST_IN_TWO_COLUMNS else 1


def _legend(panel: Panel) -> bool:
    return panel.named and theme.narrow(panel.width)


def _widths(names: list[str], looks: Sequence[Style], legend: dict[str, Any] | None) -> alt.StrokeWidth:
    import altair as alt

    scale = {
        "type": "ordinal",
        "domain": names,
        "range": [s.width for s in looks],
    }  # by itself it has no width for one name
    return alt.StrokeWidth("series:O", sort=names, legend=legend, scale=scale)


def _end_labels(panel: Panel, y: alt.Y) -> list[Any]:
    """Each line's name beside its right end, moved apart where ends lie close, joined to it by a stem in its dash."""
    import altair as alt
    import polars as pl

    low, high = panel.domain_y
    rows: list[dict[str, Any]] = []
    for name, look in zip(panel.names, panel.looks, strict=True):
        mine = panel.frame.filter((pl.col("series") == name) & pl.col(panel.y).is_finite()).sort("frequency_hz")
        if len(mine):
            rows.append(
                {
                    "series": name,
                    "end": min(max(float(mine[panel.y][-1]), low), high),
                    "colour": look.colour,
                    "dash": look.dash,
                }
            )
    if not rows:
        return []
    to, back = (math.log, math.exp) if panel.log_y else (float, float)
    gap = LABEL_PX * (to(high) - to(low)) / panel.height
    places = axes.spread([to(r["end"]) for r in rows], gap, to(low), to(high))
    for row, place in zip(rows, places, strict=True):
        row["label"] = back(place)
    stems = [
        alt.Chart(alt.InlineData(values=[{"end": r["end"], "label": r["label"]}]))
        .mark_rule(color=r["colour"], strokeDash=list(r["dash"]) or [1, 0], strokeWidth=1.6, aria=False)
        .encode(
            x=alt.XValue(panel.width + 2),
            x2=alt.X2Value(panel.width + _STEM_PX),
            y=_same_y(y, "end"),
            y2=alt.Y2("label:Q"),
        )
        for r in rows
    ]
    text = (
        alt.Chart(alt.InlineData(values=[{"series": r["series"], "label": r["label"]} for r in rows]))
        .mark_text(align="left", baseline="middle", limit=_LABEL_LIMIT)
        .encode(x=alt.XValue(panel.width + _TEXT_PX), y=_same_y(y, "label"), text="series:N")
    )
    return [*stems, text]


def _same_y(y: alt.Y, field: str) -> alt.Y:
    """The panel's y axis and scale, read from another field."""
    import altair as alt

    known = y.to_dict(context={"data": None})  # the scale and axis as they stand
    return alt.Y(f"{field}:Q", scale=known["scale"], axis=known["axis"])


def _hover(panel: Panel, x: alt.X) -> Any:
    """A vertical rule under the pointer that tells every line's value there."""
    import altair as alt
    import polars as pl

    column = {name: f"s{i}" for i, name in enumerate(panel.names)}
    wide = (
        panel.frame.with_columns(pl.col("series").replace_strict(column, default=None))
        .filter(pl.col("series").is_not_null())
        .pivot("series", index="frequency_hz", values=panel.y, aggregate_function="first")
        .sort("frequency_hz")
    )
    name = "hover_" + re.sub(r"\W+", "_", panel.y_title)  # panels of one chart differ in their titles
    nearest = alt.selection_point(
        name=name, on="pointerover", fields=["frequency_hz"], nearest=True, empty=False, clear="pointerout"
    )
    tips = [alt.Tooltip(f"{c}_text:N", title=f"{n} ({panel.unit})") for n, c in column.items() if c in wide.columns]
    return (
        alt.Chart(axes.inline(wide))
        .transform_calculate(
            frequency=figures.vega("datum.frequency_hz", 0),
            **{f"{c}_text": figures.vega(f"datum.{c}") for c in column.values() if c in wide.columns},
        )
        .mark_rule(color=theme.RULE.light, aria=False)
        .encode(
            x=x,
            opacity=alt.condition(nearest, alt.value(0.8), alt.value(0)),
            tooltip=[alt.Tooltip("frequency:N", title="Frequency (Hz)"), *tips],
        )
        .add_params(nearest)
    )


def limit_rule(value: float, y: alt.Y, width: int) -> Any:
    """A horizontal limit across the plot."""
    import altair as alt

    return (
        alt.Chart(alt.InlineData(values=[{"limit": value}]))
        .mark_rule(color=theme.RULE.light, strokeDash=[4, 3], strokeWidth=1.2, aria=False)
        .encode(x=alt.XValue(0), x2=alt.X2Value(width), y=_same_y(y, "limit"))
    )


def limit_words(value: float, label: str, y: alt.Y, width: int) -> Any:
    """The label of a limit, just above its right end, with a halo so that it reads over lines."""
    import altair as alt

    base = alt.Chart(alt.InlineData(values=[{"limit": value, "text": label}])).encode(
        x=alt.XValue(width - 4), y=_same_y(y, "limit"), text="text:N"
    )
    place = {"align": "right", "baseline": "bottom", "dy": -3, "fontSize": theme.SMALL_PX}
    halo = base.mark_text(**place, stroke=theme.PANEL.light, strokeWidth=3, aria=False)
    return halo + base.mark_text(**place, color=theme.MUTED.light)
