"""Two properties of the field against each other, and one property over another: scatter charts."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import axes, theme
from speakerdb.charts.quantity import Plotted, axis, scale
from speakerdb.charts.theme import Heading
from speakerdb.metric import CENSORED

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

MOST_POINTS = 2000  # drawn at most; a larger field is thinned, the frontier and the marked speaker kept
_MOST_NAMED = 9
_ON = ("likely on the frontier", "perhaps on it", "hardly on it")
_LIKELY, _PERHAPS = 0.5, 0.05


def tradeoff(
    rows: pl.DataFrame,
    x: Plotted,
    y: Plotted,
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
    mark: str | None = None,
    line: pl.DataFrame | None = None,
) -> Any:
    """Speakers by two properties, with the frontier, the probability of standing on it, and what x leads one to expect.

    rows: speaker, x, y, p_frontier (null: there is no other), expected, low, high (expected y at that x with its 95 %
    prediction interval; null where not worked out). line: x, fit of a quantile line, where there is one. Both
    quantities must say which direction is better.
    """
    import altair as alt
    import polars as pl

    rows = _thin(rows.with_columns(pl.col("p_frontier").fill_null(1.0)), mark)
    frontier = _frontier(rows, x, y)
    rows = rows.with_columns(
        stands=pl.when(pl.col("p_frontier") >= _LIKELY)
        .then(pl.lit(_ON[0]))
        .when(pl.col("p_frontier") >= _PERHAPS)
        .then(pl.lit(_ON[1]))
        .otherwise(pl.lit(_ON[2])),
        own=pl.col("speaker") == (mark or ""),
        **_told(rows, x, y),
        chance=pl.Series([figures.probability(p) for p in rows["p_frontier"]]),
        told=pl.Series([y.quantity.told(*r) for r in rows.select("expected", "low", "high").iter_rows()]),
    )
    small = theme.narrow(width)
    height = round(width * (0.85 if small else 0.62))
    sx, sy = scale(x, rows["x"].to_list()), scale(y, rows["y"].to_list(), margin=0.08)
    ex = alt.X("x:Q", scale=sx, axis=axis(x, sx, count=5 if small else 8))
    ey = alt.Y("y:Q", scale=sy, axis=axis(y, sy, count=6))
    base = alt.Chart(axes.inline(rows, 4)).encode(x=ex, y=ey)
    expected = rows.drop_nulls("expected").sort("x")
    layers: list[Any] = []
    if expected["x"].n_unique() > 2:
        smooth = alt.Chart(axes.inline(_smooth(expected, x, y), 4))
        band = {"x": alt.X("x:Q", scale=sx), "y": alt.Y("low:Q", scale=sy), "y2": "high:Q"}
        layers += [
            smooth.mark_area(color=theme.BAND.light, opacity=0.6, clip=True, aria=False).encode(**band),
            smooth.mark_line(color=theme.RULE.light, strokeDash=[5, 4], strokeWidth=1.5, clip=True, aria=False).encode(
                x=alt.X("x:Q", scale=sx), y=alt.Y("expected:Q", scale=sy)
            ),
        ]
    if line is not None and len(line):
        quantile = alt.Chart(axes.inline(line, 5)).mark_line(
            color=theme.BLUE.light, strokeDash=[2, 3], strokeWidth=1.8, clip=True, aria=False
        )
        layers.append(quantile.encode(x=alt.X("x:Q", scale=sx), y=alt.Y("fit:Q", scale=sy)))
    layers.append(
        alt.Chart(axes.inline(frontier, 4))
        .mark_line(color=theme.BRICK.light, strokeWidth=2, interpolate=_steps(x), aria=False)
        .encode(x=ex, y=ey)
    )
    looks = {"domain": list(_ON), "range": ["diamond", "square", "circle"]}
    colours = {"domain": list(_ON), "range": [theme.BRICK.light, theme.OCHRE.light, theme.FAINT.light]}
    key = {"title": None, "columns": 1 if small else 3, "symbolStrokeWidth": 0}
    layers.append(
        base.mark_point(filled=True, opacity=1, stroke=theme.PANEL.light, strokeWidth=0.6).encode(
            shape=alt.Shape("stands:N", scale=looks, legend=key),
            color=alt.Color("stands:N", scale=colours, legend=key),
            size=alt.Size("stands:O", sort=list(_ON), scale={"domain": list(_ON), "range": [110, 70, 34]}, legend=key),
            tooltip=[
                *_tips(x, y),
                alt.Tooltip("chance:N", title="Probability of the frontier"),
                alt.Tooltip("told:N", title="Expected (95 % interval)"),
            ],
        )
    )
    layers += _names(rows, frontier, ex, ey, sx, sy, width, height, mark)
    return theme.finish(alt.layer(*layers).properties(width=width, height=height), heading, width)


def _thin(rows: pl.DataFrame, mark: str | None) -> pl.DataFrame:
    import polars as pl

    if len(rows) <= MOST_POINTS:
        return rows
    kept = rows.filter((pl.col("p_frontier") >= _PERHAPS) | (pl.col("speaker") == (mark or "")))
    rest = rows.filter(~((pl.col("p_frontier") >= _PERHAPS) | (pl.col("speaker") == (mark or ""))))
    return pl.concat([kept, rest.sample(min(MOST_POINTS, len(rest)), seed=1)])


def _frontier(rows: pl.DataFrame, x: Plotted, y: Plotted) -> pl.DataFrame:
    """Speakers that no other beats in both: columns speaker, x, y, the better x first."""
    good_x = rows["x"] * (-1 if x.better == "low" else 1)
    good_y = rows["y"] * (-1 if y.better == "low" else 1)
    ordered = rows.with_columns(gx=good_x, gy=good_y).sort(["gx", "gy"], descending=True)
    best = ordered["gy"].cum_max().shift(1)
    return ordered.filter(best.is_null() | (ordered["gy"] > best)).select("speaker", "x", "y")


def _steps(x: Plotted) -> str:
    """The side on which the frontier steps: between two of its members only their worse values are to be had."""
    rising_x = x.better != "low"  # the line is drawn by x ascending
    return "step-before" if rising_x else "step-after"


def _smooth(expected: pl.DataFrame, x: Plotted, y: Plotted) -> pl.DataFrame:
    """Expectation and band over x, averaged over kinds: each is a line in x on the scale of the axes, shifted by
    kind."""
    import numpy as np
    import polars as pl

    at = np.log(expected["x"].to_numpy()) if x.log else expected["x"].to_numpy()
    ends = np.linspace(at.min(), at.max(), 40)
    found = {"x": np.exp(ends) if x.log else ends}
    for name in ("expected", "low", "high"):
        values = expected[name].to_numpy()
        slope, start = np.polyfit(at, np.log(values) if y.log else values, 1)
        line = start + slope * ends
        found[name] = np.exp(line) if y.log else line
    return pl.DataFrame(found)


# Where a name may stand beside its point, the first free place is taken: (alignment, dx, dy)
_PLACES = tuple(
    (align, dx * far, dy * far)
    for far in (1.0, 1.9)
    for align, dx, dy in (
        ("right", -9, -8),
        ("left", 9, -8),
        ("right", -10, 0),
        ("left", 10, 0),
        ("right", -9, 9),
        ("left", 9, 9),
        ("center", 0, -15),
        ("center", 0, 15),
    )
)
_Box = tuple[float, float, float, float]


def _names(
    rows: pl.DataFrame,
    frontier: pl.DataFrame,
    ex: Any,
    ey: Any,
    sx: dict[str, Any],
    sy: dict[str, Any],
    width: int,
    height: int,
    mark: str | None,
) -> list[Any]:
    """Names beside the marked speaker and frontier members, left out where they would cover points or each other."""
    import altair as alt
    import polars as pl

    wanted = rows.filter(pl.col("own")).select("speaker", "x", "y").to_dicts()
    wanted += [r for r in frontier.iter_rows(named=True) if r["speaker"] != mark]
    most = 4 if theme.narrow(width) else _MOST_NAMED
    to_x, to_y = _pixels(sx, width), _pixels(sy, height)
    spots = [(to_x(a), height - to_y(b)) for a, b in rows.select("x", "y").drop_nulls().iter_rows()]
    taken: list[_Box] = [(a - 5, b - 5, a + 5, b + 5) for a, b in spots]
    taken += _stairs([(to_x(r["x"]), height - to_y(r["y"])) for r in frontier.sort("x").iter_rows(named=True)])
    labels: list[dict[str, Any]] = []
    for r in wanted[: most * 3]:
        own = r["speaker"] == mark
        text = r["speaker"] if len(r["speaker"]) <= 26 else r["speaker"][:25] + "…"
        found = _free_place(
            to_x(r["x"]), height - to_y(r["y"]), (7.4 if own else 6.7) * len(text), width, height, taken
        )
        if found is None and own:
            found = ("left", 10.0, 0.0)
        if found is not None:
            labels.append({"x": r["x"], "y": r["y"], "text": text, "place": found, "own": own})
        if len(labels) >= most:
            break
    return [layer for t in labels for layer in _name(t, ex, ey)] + [
        alt.Chart(axes.inline(rows.filter(pl.col("own")).select("x", "y"), 4))
        .mark_point(size=230, filled=False, stroke=theme.INK.light, strokeWidth=1.6, aria=False)
        .encode(x=ex, y=ey)
    ]


def _name(label: dict[str, Any], ex: Any, ey: Any) -> list[Any]:
    """A name with a halo, so that it reads over grid lines and the band."""
    import altair as alt

    align, dx, dy = label["place"]
    base = alt.Chart(alt.InlineData(values=[{k: label[k] for k in ("x", "y", "text")}])).encode(
        x=ex, y=ey, text="text:N"
    )
    look = {
        "align": align,
        "baseline": "middle",
        "dx": dx,
        "dy": dy,
        "fontSize": theme.SMALL_PX,
        "fontWeight": 700 if label["own"] else 400,
    }
    halo = base.mark_text(**look, stroke=theme.PANEL.light, strokeWidth=3, strokeJoin="round", aria=False)
    return [halo, base.mark_text(**look)]


def _free_place(px: float, py: float, length: float, width: int, height: int, taken: list[_Box]) -> Any:
    """The first place beside a point whose box lies inside the plot and meets nothing; the box is then taken."""
    for align, dx, dy in _PLACES:
        x0 = px + dx - {"left": 0.0, "right": length, "center": length / 2}[align]
        box = (x0, py + dy - 7, x0 + length, py + dy + 7)
        if x0 < 0 or box[2] > width or box[1] < 0 or box[3] > height or any(_meet(box, other) for other in taken):
            continue
        taken.append(box)
        return align, dx, dy
    return None


def _stairs(corners: list[tuple[float, float]]) -> list[_Box]:
    """Thin boxes along the drawn frontier, taking either way round each step, so that names keep off it."""
    boxes = []
    for (ax, ay), (bx, by) in pairwise(corners):
        boxes += [(ax, min(ay, by) - 1, ax + 1, max(ay, by) + 1), (ax, ay - 1, bx, ay + 1)]
    return boxes


def _meet(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _pixels(scale_: dict[str, Any], length: int) -> Any:
    import math

    known = scale_
    low, high = known["domain"]
    to = math.log if known.get("type") == "log" else float
    return lambda value: (to(value) - to(low)) / (to(high) - to(low)) * length


def trend(
    points: pl.DataFrame,
    line: pl.DataFrame,
    x: Plotted,
    y: Plotted,
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
) -> Any:
    """One property over another, a point a speaker, with the fitted line and its 95 % band.

    points: speaker, x, y, censored. line: x, fit, low, high, ascending in x; may be empty (no trend could be fitted).
    """
    import altair as alt

    shown = points if len(points) <= MOST_POINTS else points.sample(MOST_POINTS, seed=1)
    small = theme.narrow(width)
    height = round(width * (0.8 if small else 0.55))
    sx, sy = scale(x, shown["x"].to_list()), scale(y, shown["y"].to_list(), margin=0.08)
    ex = alt.X("x:Q", scale=sx, axis=axis(x, sx, count=5 if small else 8))
    ey = alt.Y("y:Q", scale=sy, axis=axis(y, sy, count=6))
    layers: list[Any] = []
    if len(line):
        fitted = alt.Chart(axes.inline(line, 5))
        at = alt.X("x:Q", scale=sx)
        layers += [
            fitted.mark_area(color=theme.BAND.light, opacity=0.75, clip=True, aria=False).encode(
                x=at, y=alt.Y("low:Q", scale=sy), y2="high:Q"
            ),
            fitted.mark_line(color=theme.PLUM.light, strokeWidth=2.4, clip=True, aria=False).encode(
                x=at, y=alt.Y("fit:Q", scale=sy)
            ),
        ]
    dots = (
        alt.Chart(axes.inline(shown.with_columns(**_told(shown, x, y)), 4))
        .mark_point(filled=True, size=42, color=theme.PINE.light, opacity=0.6)
        .encode(x=ex, y=ey, shape=_arrows("circle", "down", "up"), tooltip=_tips(x, y))
    )
    return theme.finish(alt.layer(*layers, dots).properties(width=width, height=height), heading, width)


def _arrows(known: str, less: str, more: str) -> alt.Shape:
    """known: the shape of what is no bound; a bound points to where less or more of it lies."""
    import altair as alt

    shapes = [known, f"triangle-{less}", f"triangle-{more}", f"triangle-{more}"]
    return alt.Shape("censored:N", legend=None, scale={"domain": list(CENSORED), "range": shapes})


def _tips(x: Plotted, y: Plotted) -> list[Any]:
    import altair as alt

    return [
        alt.Tooltip("speaker:N", title="Speaker"),
        alt.Tooltip("x_text:N", title=x.title),
        alt.Tooltip("y_text:N", title=y.title),
    ]


def _told(points: pl.DataFrame, x: Plotted, y: Plotted) -> dict[str, pl.Series]:
    """Both properties of every point as text; a group's name stays as it is."""
    import polars as pl

    censored = points["censored"] if "censored" in points.columns else ["none"] * len(points)
    named = points["x"].dtype == pl.String
    return {
        "x_text": points["x"] if named else pl.Series([x.quantity.number(v) for v in points["x"]], dtype=pl.String),
        "y_text": pl.Series(
            [y.quantity.number(v, c) for v, c in zip(points["y"], censored, strict=True)], dtype=pl.String
        ),
    }


def groups(
    points: pl.DataFrame,
    summary: pl.DataFrame,
    x: Plotted,
    y: Plotted,
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
) -> Any:
    """One property by groups (kind, layout, enclosure): a point a speaker, and each group's median with its interval.

    points: speaker, x (the group), y, censored. summary: x, median, censored (whether the median is a bound), low, high
    (null where there is no interval), n, makers, in the order wanted.
    """
    import altair as alt
    import polars as pl

    order = summary["x"].to_list()
    shown = points if len(points) <= MOST_POINTS else points.sample(MOST_POINTS, seed=1)
    labels = [
        f"{g} ({n} of {makers} {'maker' if makers == 1 else 'makers'})"
        for g, n, makers in summary.select("x", "n", "makers").iter_rows()
    ]
    small = theme.narrow(width)
    step = 48 if small else 40
    label_px = 0 if small else 220
    plot = width - label_px
    sy = scale(y, shown["y"].to_list())
    expr = f"{_array(labels)}[indexof({_array(order)}, datum.value)]"
    rows = alt.Y(
        "x:N",
        sort=order,
        scale={"domain": order},
        axis=None
        if small
        else {
            "title": x.title,
            "titleAngle": 0,
            "titleAlign": "left",
            "titleAnchor": "start",
            "titleY": -10,
            "titleX": -label_px + 4,
            "labelExpr": expr,
            "labelLimit": label_px,
            "ticks": False,
            "grid": True,
            "labelColor": theme.INK.light,
        },
    )
    ex = alt.X("y:Q", scale=sy, axis=axis(y, sy, count=4 if small else 7))
    dots = (
        alt.Chart(axes.inline(_jitter(shown.with_columns(**_told(shown, x, y)), order), 4))
        .mark_point(filled=True, size=34, color=theme.PINE.light, opacity=0.45)
        .encode(
            x=ex,
            y=rows,
            yOffset=alt.YOffset("shift:Q", scale={"domain": [-2, 2] if small else [-1, 1]}),
            shape=_arrows("circle", "left", "right"),
            tooltip=_tips(x, y),
        )
    )
    medians = summary.select("median", "low", "high", "censored").iter_rows()
    told = summary.with_columns(told=pl.Series([y.quantity.told(*m) for m in medians], dtype=pl.String))
    base = alt.Chart(axes.inline(told, 4)).encode(y=rows)
    bar = base.mark_rule(color=theme.BLUE.light, strokeWidth=6, opacity=0.8, aria=False).encode(
        x=alt.X("low:Q", scale=sy), x2="high:Q"
    )
    middle = base.mark_point(
        filled=True, size=120, color=theme.BRICK.light, opacity=1, stroke=theme.PANEL.light, strokeWidth=1
    ).encode(
        x=alt.X("median:Q", scale=sy),
        shape=_arrows("diamond", "left", "right"),
        tooltip=[
            alt.Tooltip("x:N", title=x.title),
            alt.Tooltip("told:N", title="Median (95 % interval)"),
            alt.Tooltip("n:Q", title="Speakers"),
            alt.Tooltip("makers:Q", title="Makers"),
        ],
    )
    names = (
        alt.Chart(axes.inline(summary.select("x").with_columns(text=pl.Series(labels))))
        .mark_text(align="left", baseline="middle", dy=-19, limit=plot)
        .encode(y=rows, x=alt.XValue(0), text="text:N")
    )
    layers = [dots, bar, middle, *([names] if small else [])]
    # the shape of a point and that of a median say the same in shapes of their own
    chart = alt.layer(*layers).resolve_scale(shape="independent").properties(width=plot, height=step * len(order))
    return theme.finish(chart, heading, width)


def _array(words: list[str]) -> str:
    import json

    return json.dumps(words)


def _jitter(points: pl.DataFrame, order: list[str]) -> pl.DataFrame:
    """Spread the points of a group over its row, the same way each time."""
    import polars as pl

    golden = 0.6180339887498949
    shift = (pl.int_range(pl.len()).over("x") * golden) % 1.0 * 1.4 - 0.7
    return points.filter(pl.col("x").is_in(order)).with_columns(shift=shift)
