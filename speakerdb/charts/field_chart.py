"""A speaker among the others: its place in each metric, ranks, differences, trade-offs, trends.

Censored values are drawn as arrowheads that point to where the true value lies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import axes, theme
from speakerdb.charts.quantity import TICK, Plotted, axis, scale
from speakerdb.charts.theme import Heading
from speakerdb.metric import CENSORED, Metric
from speakerdb.metrics import METRICS

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

ROW_PX = 24
_NAME_PX = 210
MOST_RANKED = 60
_REACH = 6.0  # steps that matter, to either side of an axis of differences
MOST_TICKS = 120  # a strip: with more peers a tick stands for several


def place(rows: pl.DataFrame, peers: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE) -> Any:
    """A strip a metric: the peers as ticks, the speaker as a mark with its interval; the better side is to the right.

    rows: metric, value, low, high, censored, text (the value as printed), note (words beside the strip, e.g. the
    percentile), in the order wanted. peers: metric, value (the peer group without the speaker; censored values as they
    stand). Each strip runs from the lowest to the highest of its own metric.
    """
    import altair as alt
    import polars as pl

    strips, ticks, most = [], [], 1.0
    for row in rows.iter_rows(named=True):
        metric = METRICS[row["metric"]]
        others = peers.filter(pl.col("metric") == metric.id)["value"].drop_nulls().drop_nans().to_list()
        position = _positions(row, others, log=metric.scale == "log", flip=metric.better == "low")
        name = metric.label
        ends = ("low", "high") if metric.better == "neither" else ("worse", "better")
        name = name if metric.better != "neither" or theme.narrow(width) else f"{name} (low to high)"
        shape = _arrow(row["censored"], flip=metric.better == "low")
        strips.append(
            {
                "strip": name,
                "at": position(row["value"]),
                "value": row["text"],
                "note": row["note"] or "",
                **_interval(row, position, flip=metric.better == "low"),
                "shape": shape,
                "from": ends[0],
                "to": ends[1],
            }
        )
        drawn, stands_for = _thinned(others)
        most = max(most, stands_for)
        ticks += [{"strip": name, "at": position(v)} for v in drawn]
    small = theme.narrow(width)
    strips_width = width if small else round(width * 0.62)
    step = 46 if small else 28
    order = [s["strip"] for s in strips]
    y = alt.Y(
        "strip:N",
        sort=order,
        axis=None
        if small
        else {
            "title": None,
            "labelLimit": 300,
            "grid": False,
            "ticks": False,
            "labelColor": theme.INK.light,
            "labelFontSize": theme.TEXT_PX,
        },
        scale={"domain": order, "padding": 0},
    )
    along = {"domain": [-0.02, 1.02], "nice": False}
    x = alt.X("at:Q", scale=along, axis=None)
    data = alt.InlineData(values=strips)
    base = alt.Chart(data).encode(y=y)
    rail = base.mark_rule(color=theme.GRID.light, strokeWidth=12, aria=False).encode(
        x=alt.XValue(0), x2=alt.X2Value(strips_width)
    )
    others = (
        alt.Chart(axes.inline(pl.DataFrame(ticks, schema={"strip": pl.String, "at": pl.Float64}), decimals=4))
        .mark_tick(color=theme.RULE.light, opacity=0.55, thickness=1.2, size=12, aria=False)
        .encode(x=x, y=y)
    )
    interval = base.mark_rule(color=theme.BLUE.light, strokeWidth=5, opacity=0.75, aria=False).encode(
        x=alt.X("low:Q", scale=along, axis=None), x2="high:Q"
    )
    mark = base.mark_point(
        filled=True, size=110, color=theme.BRICK.light, stroke=theme.PANEL.light, strokeWidth=1, opacity=1
    ).encode(
        x=x,
        shape=alt.Shape("shape:N", scale=None, legend=None),
        tooltip=[
            alt.Tooltip("strip:N", title="Metric"),
            alt.Tooltip("value:N", title="Value"),
            alt.Tooltip("note:N", title="Place"),
        ],
    )
    layers = [rail, others, interval, mark]
    if small:
        layers += [
            _text(base, "strip", 0, "left", dy=-15, limit=width - 96),
            _text(base, "value", width, "right", dy=-15),
            _text(base, "note", width, "right", dy=15, muted=True),
            _text(base, "from", 0, "left", dy=15, muted=True),
        ]
    else:
        beyond_values = max(92, 26 + 7 * max((len(s["value"]) for s in strips), default=0))
        layers += [
            _text(base, "value", strips_width + 10, "left"),
            _text(base, "note", strips_width + beyond_values, "left", muted=True),
        ]
        layers += _over([("← worse", "left", 0), ("better →", "right", strips_width)])
    if most > 1:
        layers += _over([(f"a tick for about {figures.number(most)} peers", "center", strips_width // 2)])
    chart = alt.layer(*layers).properties(width=strips_width, height=step * len(order))
    return theme.finish(chart, heading, width)


def _thinned(values: Sequence[float]) -> tuple[Sequence[float], float]:
    """At most MOST_TICKS of the values, evenly spread over their order, the least and greatest among them; how many
    each stands for."""
    if len(values) <= MOST_TICKS:
        return values, 1.0
    ordered = sorted(values)
    step = (len(ordered) - 1) / (MOST_TICKS - 1)
    return [ordered[round(i * step)] for i in range(MOST_TICKS)], len(ordered) / MOST_TICKS


def _over(words: Sequence[tuple[str, str, int]]) -> list[Any]:
    """Words over the strips: (text, alignment, x in px)."""
    import altair as alt

    return [
        alt.Chart(alt.InlineData(values=[{"text": text}]))
        .mark_text(align=align, baseline="bottom", color=theme.MUTED.light, fontSize=theme.SMALL_PX)
        .encode(x=alt.XValue(x), y=alt.YValue(-1), text="text:N")
        for text, align, x in words
    ]


def _text(
    base: alt.Chart, field: str, x_px: float, align: str, *, dy: float = 0, muted: bool = False, limit: float = 0
) -> Any:
    import altair as alt

    look = {"color": theme.MUTED.light, "fontSize": theme.SMALL_PX} if muted else {"color": theme.INK.light}
    mark = base.mark_text(align=align, baseline="middle", dy=dy, limit=limit, **look)
    return mark.encode(x=alt.XValue(x_px), text=f"{field}:N")


def _positions(row: dict[str, Any], others: Sequence[float], *, log: bool, flip: bool) -> Any:
    """A function from a value to its place on the strip, 0…1; open or unknown ends lie at the strip's end."""
    known = [v for v in (*others, row["value"], row["low"], row["high"]) if v is not None and math.isfinite(v)]
    transform = (lambda v: math.log(max(v, 1e-9))) if log else float
    low, high = (transform(min(known)), transform(max(known))) if known else (0.0, 1.0)
    span = high - low or 1.0

    def position(value: float | None) -> float | None:
        if value is None or not math.isfinite(value):
            return None
        share = (transform(value) - low) / span if high > low else 0.5
        return round(1.0 - share if flip else share, 4)

    return position


def _interval(row: dict[str, Any], position: Any, *, flip: bool) -> dict[str, float | None]:
    """Both ends of the interval on the strip; a censored value's open end lies at the strip's end."""
    low, high = position(row["low"]), position(row["high"])
    if row["censored"] == "at_least":
        low, high = low if low is not None else position(row["value"]), 0.0 if flip else 1.0
    if row["censored"] == "at_most":
        low, high = 1.0 if flip else 0.0, high if high is not None else position(row["value"])
    return {"low": low, "high": high}


def _arrow(censored: str, *, flip: bool) -> str:
    """A diamond, or an arrowhead towards the better or worse side for a censored value."""
    if censored == "none":
        return "diamond"
    return "triangle-left" if (censored == "at_most") != flip else "triangle-right"


def ranking(
    rows: pl.DataFrame,
    what: Plotted,
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
    mark: str | None = None,
) -> Any:
    """Values with intervals, and beside them the places that each speaker can have.

    rows: speaker, rank, rank_low, rank_high, value, low, high, censored; the first MOST_RANKED are drawn. `mark` names
    a speaker to set off.
    """
    import polars as pl

    # names may repeat: rows are keyed by their place in the list, and labelled by name
    shown = rows.head(MOST_RANKED).with_columns(
        row=pl.int_range(pl.len()), own=pl.col("speaker") == (mark or ""), total=rows["rank_high"].max()
    )
    told = shown.select("value", "censored", "low", "high", "rank_low", "rank_high").rows()
    shown = shown.with_columns(
        value_text=pl.Series([what.quantity.number(v, c) for v, c, *_ in told], dtype=pl.String),
        interval_text=pl.Series(
            [what.quantity.interval(low, high) or figures.GAP for _, _, low, high, *_ in told], dtype=pl.String
        ),
        places_text=pl.Series([figures.span(first, last) for *_, first, last in told], dtype=pl.String),
    )
    draw = _ranking_narrow if theme.narrow(width) else _ranking_wide
    return theme.finish(draw(shown, what, width), heading, width)


def _ranking_wide(shown: pl.DataFrame, what: Plotted, width: int) -> Any:
    import altair as alt

    left = round((width - _NAME_PX) * 0.58)
    right = width - _NAME_PX - left
    y = alt.Y(
        "row:O",
        axis={
            "title": None,
            "labelExpr": f"{_js(shown['speaker'].to_list())}[datum.value]",
            "grid": False,
            "labelLimit": _NAME_PX,
            "ticks": False,
            "labelColor": theme.INK.light,
            "labelFontSize": theme.TEXT_PX,
        },
    )
    values = alt.layer(*_values(shown, what, y, left, ROW_PX)).properties(width=left, height=ROW_PX * len(shown))
    bare = alt.Y("row:O", axis=None)
    ranks = {"domain": [1, max(int(shown["total"][0] or 1), 2)], "nice": False}
    x = alt.X(
        "rank_low:Q",
        scale=ranks,
        axis={"title": "Places it can have (95 %)", "tickCount": 5, "labelExpr": TICK, "tickMinStep": 1},
    )
    base = alt.Chart(axes.inline(shown, (what.quantity.decimals or 0) + 2))
    sets = alt.layer(
        _zebra(base, bare, right),
        base.mark_rule(color=theme.OCHRE.light, strokeWidth=5, strokeCap="round", aria=False).encode(
            y=bare, x=x, x2="rank_high:Q"
        ),
        base.mark_point(filled=True, size=52, opacity=1, shape="circle").encode(
            y=bare, x=alt.X("rank:Q", scale=ranks), color=_own(), tooltip=_rank_tips(what)
        ),
    ).properties(width=right, height=ROW_PX * len(shown))
    return alt.hconcat(values, sets, spacing=14)


def _ranking_narrow(shown: pl.DataFrame, what: Plotted, width: int) -> Any:
    """One panel: the name and its places as words over each bar."""
    import altair as alt
    import polars as pl

    step = 40
    words = [
        f"place {figures.number(r)}" if a == b else f"place {figures.number(r)} ({figures.span(a, b)})"
        for r, a, b in shown.select("rank", "rank_low", "rank_high").iter_rows()
    ]
    shown = shown.with_columns(words=pl.Series(words), name=pl.col("speaker"))
    y = alt.Y("row:O", axis=None)
    base = alt.Chart(axes.inline(shown, (what.quantity.decimals or 0) + 2)).encode(y=y)
    names = base.mark_text(align="left", baseline="middle", dy=-12, limit=width - 100).encode(
        x=alt.XValue(2), text="name:N"
    )
    layers = [
        *_values(shown, what, y, width, step),
        names,
        _text(base, "words", width - 2, "right", dy=-12, muted=True),
    ]
    return alt.layer(*layers).properties(width=width, height=step * len(shown))


def _values(shown: pl.DataFrame, what: Plotted, y: alt.Y, width: int, step: int) -> list[Any]:
    """Stripes, intervals and values on one scale."""
    import altair as alt

    limits = scale(what, [v for c in ("value", "low", "high") for v in shown[c].to_list() if v is not None])
    base = alt.Chart(axes.inline(shown, (what.quantity.decimals or 0) + 2))
    shift = 6 if step > ROW_PX else 0  # below the words of a narrow row
    x = alt.X("value:Q", scale=limits, axis=axis(what, limits, count=4 if width < 300 else 6))
    interval = base.mark_rule(
        color=theme.BLUE.light, strokeWidth=4, opacity=0.7, aria=False, yOffset=shift, y2Offset=shift
    )
    point = base.mark_point(filled=True, size=64, opacity=1, stroke=theme.PANEL.light, strokeWidth=0.8, yOffset=shift)
    return [
        _zebra(base, y, width),
        interval.encode(y=y, x=alt.X("low:Q", scale=limits), x2="high:Q"),
        point.encode(x=x, y=y, color=_own(), shape=_censored_shape(), tooltip=_rank_tips(what)),
    ]


def _rank_tips(what: Plotted) -> list[Any]:
    import altair as alt

    return [
        alt.Tooltip("speaker:N", title="Speaker"),
        alt.Tooltip("value_text:N", title=what.title),
        alt.Tooltip("interval_text:N", title="95 % interval"),
        alt.Tooltip("places_text:N", title="Places"),
    ]


def _js(names: Sequence[str]) -> str:
    """Names as a JavaScript array literal for an expression of Vega; JSON is one."""
    import json

    return json.dumps(list(names), ensure_ascii=True)


def _zebra(base: alt.Chart, y: alt.Y, width: int) -> Any:
    """A pale bar under every other row, to lead the eye."""
    import altair as alt

    return (
        base.transform_filter("datum.row % 2 == 0")
        .mark_bar(color=theme.PAPER.light, aria=False)
        .encode(y=y, x=alt.XValue(0), x2=alt.X2Value(width))
    )


def _own() -> alt.Color:
    import altair as alt

    return alt.Color(
        "own:N", legend=None, scale={"domain": [False, True], "range": [theme.PINE.light, theme.BRICK.light]}
    )


def _censored_shape() -> alt.Shape:
    import altair as alt

    shapes = ["circle", "triangle-left", "triangle-right", "triangle-right"]
    return alt.Shape("censored:N", legend=None, scale={"domain": list(CENSORED), "range": shapes})


def differences(rows: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE) -> Any:
    """How two speakers differ, metric by metric, in units of the difference that matters.

    rows: metric, difference, low, high (a − b in the metric's unit, or a/b where ratios count), matters ("yes" | "no" |
    "unclear"), in the order wanted. The grey middle is where a difference does not matter; the side is which value is
    higher, not which is better. A difference beyond the axis stands at its end as an arrow; its number is beside it.
    """
    import altair as alt

    points: list[dict[str, Any]] = []
    for r in rows.iter_rows(named=True):
        m = METRICS[r["metric"]]
        unit = {k: _units(r[k], m) for k in ("difference", "low", "high")}
        words = {"yes": "matters", "no": "does not matter", "unclear": "unclear"}[r["matters"]]
        text = f"{m.quantity.difference_text(r['difference'], signed=True)}, {words}"
        steps = unit["difference"] or 0.0
        shape = words if abs(steps) <= _REACH else "beyond, right" if steps > 0 else "beyond, left"
        points.append({"metric": m.label, **unit, "text": text, "matters": words, "shape": shape})
    order = [p["metric"] for p in points]
    small = theme.narrow(width)
    plot = width if small else round(width * 0.55)
    step = 44 if small else 26
    y = alt.Y(
        "metric:N",
        sort=order,
        scale={"domain": order, "padding": 0},
        axis=None
        if small
        else {
            "title": None,
            "labelLimit": 250,
            "labelPadding": 9,
            "grid": False,
            "ticks": False,
            "labelColor": theme.INK.light,
            "labelFontSize": theme.TEXT_PX,
        },
    )
    limits = {"domain": [-_REACH, _REACH], "nice": False, "clamp": True}
    x = alt.X(
        "difference:Q",
        scale=limits,
        axis={"title": "Difference, in steps that matter", "tickMinStep": 1, "labelExpr": TICK, "tickCount": 5},
    )
    base = alt.Chart(alt.InlineData(values=points)).encode(y=y)
    middle = (
        alt.Chart(alt.InlineData(values=[{"from": -1, "to": 1}]))
        .mark_rect(color=theme.GRID.light, opacity=0.6, aria=False)
        .encode(x=alt.X("from:Q", scale=limits), x2="to:Q", y=alt.YValue(0), y2=alt.Y2Value(step * len(points)))
    )
    shape = alt.Shape(
        "shape:N",
        legend=None,
        scale={
            "domain": ["matters", "does not matter", "unclear", "beyond, right", "beyond, left"],
            "range": ["diamond", "circle", "square", "triangle-right", "triangle-left"],
        },
    )
    colour = alt.Color(
        "matters:N",
        legend=None,
        scale={
            "domain": ["matters", "does not matter", "unclear"],
            "range": [theme.BRICK.light, theme.MUTED.light, theme.BLUE.light],
        },
    )
    layers = [
        middle,
        base.mark_rule(strokeWidth=4, opacity=0.6, aria=False).encode(
            x=alt.X("low:Q", scale=limits), x2="high:Q", color=colour
        ),
        base.mark_point(filled=True, size=84, opacity=1).encode(
            x=x, shape=shape, color=colour, tooltip=["metric:N", "text:N"]
        ),
    ]
    if small:
        layers += [
            _text(base, "metric", 0, "left", dy=-15, limit=width),
            _text(base, "text", 0, "left", dy=14, muted=True),
        ]
    else:
        layers.append(_text(base, "text", plot + 10, "left", muted=True))
    return theme.finish(alt.layer(*layers).properties(width=plot, height=step * len(points)), heading, width)


def _units(value: float | None, metric: Metric) -> float | None:
    """A difference in steps that matter; of ratios their logarithms."""
    if value is None or not math.isfinite(value) or (metric.scale == "log" and value <= 0):
        return None
    return round(math.log(value) / math.log(metric.matters) if metric.scale == "log" else value / metric.matters, 3)
