"""Where the sound goes: maps of both orbits, beamwidth over frequency, how far the tone holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, cast

from speakerdb import figures
from speakerdb.charts import axes, lines, theme
from speakerdb.charts.lines import Panel
from speakerdb.charts.theme import Heading

if TYPE_CHECKING:
    import altair as alt
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

# Edges of the bands of a map in dB re the axis, the loudest first; below the last is one band more.
BAND_EDGES_DB = (0.0, -3.0, -6.0, -9.0, -12.0, -18.0, -24.0)
_BAND_NAMES = ("over 0", "0 to −3", "−3 to −6", "−6 to −9", "−9 to −12", "−12 to −18", "−18 to −24", "under −24")
_POINTS_PER_OCTAVE = 20
_UNSEEN = 0.75  # of a grid point and of a degree: outlines are drawn no finer
_BEAM_TICKS_DEG = (20, 30, 45, 60, 90, 120, 180, 270, 360)


def sound_map(
    angle_deg: Sequence[float],
    frequency_hz: Sequence[float],
    level_db: NDArray[np.floating[Any]],
    edge: pl.DataFrame,
    plane: Literal["horizontal", "vertical"],
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
    height: int | None = None,
) -> Any:
    """Level over frequency and angle as bands, with the −6 dB edge drawn on it.

    angle_deg (n,) in -180…180, in any order; frequency_hz (F,) ascending at 20 points an octave; level_db (n, F) re the
    axis, NaN where not measured. edge: side ("first"/"second"), frequency_hz, angle_deg (null: no crossing).
    """
    import altair as alt

    order = sorted(range(len(angle_deg)), key=lambda i: angle_deg[i])
    angles = [float(angle_deg[i]) for i in order]
    low, high = min(angles), max(angles)
    span = (-180.0, 180.0) if high - low > 180 else (float(math.floor(low / 30) * 30), float(math.ceil(high / 30) * 30))
    tall = height or (200 if theme.narrow(width) else 300)
    sides = ("right", "left") if plane == "horizontal" else ("down", "up")
    y = _angle_y(span, f"{sides[0]}  ←  Angle (°)  →  {sides[1]}")
    x = axes.frequency_x()
    colours = [c.light for c in theme.LEVELS]
    bands = (
        alt.Chart(axes.inline(_areas(angles, level_db[order]), 1))
        .transform_calculate(frequency_hz=f"{frequency_hz[0]} * pow(2, datum.point / {_POINTS_PER_OCTAVE})")
        .mark_line(aria=False, clip=True, filled=True, strokeWidth=0)
        .encode(
            x=x,
            y=y,
            order=alt.Order("row:Q"),
            color=alt.Color(
                "band:N",
                sort=list(_BAND_NAMES),
                scale={"domain": list(_BAND_NAMES), "range": colours},
                legend={
                    "title": "Level re the axis (dB)",
                    "symbolType": "square",
                    "columns": 3 if theme.narrow(width) else 8,
                    "symbolSize": 160,
                    "symbolStrokeWidth": 0,
                    "titleLimit": width,
                    "columnPadding": 10,
                    "labelFontSize": theme.SMALL_PX,
                },
            ),
        )
    )
    layers = [bands, _edge(edge, x, y, theme.PANEL.light, 4.2, ()), _edge(edge, x, y, theme.INK.light, 1.6, (6, 3))]
    layers += [_edge_label(edge, x, y)] if len(edge.drop_nulls()) else []
    return theme.finish(alt.layer(*layers).properties(width=width, height=tall), heading, width)


def _angle_y(span: tuple[float, float], title: str) -> alt.Y:
    import altair as alt

    step = 60 if span[1] - span[0] > 180 else 30
    ticks = list(range(int(math.ceil(span[0] / step) * step), int(span[1]) + 1, step))
    axis = {"values": ticks, "title": title, "grid": False, "labelExpr": f"({figures.vega('datum.value')}) + '°'"}
    return alt.Y("angle_deg:Q", axis=axis, scale={"domain": list(span), "nice": False})


def _areas(angles: list[float], levels: NDArray[np.floating[Any]]) -> pl.DataFrame:
    """Outlines of where the level reaches each band, the quietest first, so that every band covers the ones before:
    row, band, point (grid points from the first frequency), angle_deg; null between outlines. Linear in dB between the
    measured points."""
    import contourpy
    import numpy as np
    import polars as pl

    if angles[-1] == 180.0 and -180.0 < angles[0] <= -135.0:  # an orbit all around: 180 is also -180
        angles, levels = [-180.0, *angles], np.vstack([levels[-1:], levels])
    columns = np.arange(levels.shape[1], dtype=float)
    drawn = contourpy.contour_generator(
        columns, angles, np.ma.masked_invalid(levels), fill_type=contourpy.FillType.OuterOffset
    )
    parts = []
    for name, least in zip(reversed(_BAND_NAMES), (-math.inf, *reversed(BAND_EDGES_DB)), strict=True):
        outlines, starts = cast("tuple[list[Any], list[Any]]", drawn.filled(max(least, -1e6), 1e6))
        for points, offsets in zip(outlines, starts, strict=True):
            for ring in np.split(points, offsets[1:-1].astype(int)):
                kept = _thinned(ring)
                closed = np.vstack([kept, np.full((1, 2), np.nan)])
                parts.append(
                    pl.DataFrame({"band": [name] * len(closed), "point": closed[:, 0], "angle_deg": closed[:, 1]})
                )
    if parts:
        return pl.concat(parts).with_row_index("row")
    return pl.DataFrame(schema={"row": pl.UInt32, "band": pl.String, "point": pl.Float64, "angle_deg": pl.Float64})


def _thinned(ring: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """A closed outline with as few of its points as stay within _UNSEEN of all of them: from the farthest point on,
    each part is divided at the point that lies farthest from the line between its ends."""
    import numpy as np

    kept = {0, len(ring) - 1}
    parts = [(0, len(ring) - 1)]
    while parts:
        first, last = parts.pop()
        if last - first < 2:
            continue
        away = ring[first + 1 : last] - ring[first]
        along = ring[last] - ring[first]
        length = float(np.hypot(*along))
        crossed = away[:, 0] * along[1] - away[:, 1] * along[0]
        off = np.abs(crossed) / length if length > 0 else np.hypot(away[:, 0], away[:, 1])
        farthest = int(off.argmax())
        if off[farthest] > _UNSEEN:
            middle = first + 1 + farthest
            kept.add(middle)
            parts += [(first, middle), (middle, last)]
    return ring[sorted(kept)]


def _edge(edge: pl.DataFrame, x: alt.X, y: alt.Y, colour: str, width: float, dash: tuple[int, ...]) -> Any:
    """Both sides' edges as lines."""
    import altair as alt

    return (
        alt.Chart(axes.inline(edge))
        .mark_line(color=colour, strokeWidth=width, strokeDash=list(dash) or [1, 0], aria=False, clip=True)
        .encode(x=x, y=y, detail="side:N")
    )


def _edge_label(edge: pl.DataFrame, x: alt.X, y: alt.Y) -> Any:
    """'−6 dB' just outside the upper edge, where it is nearest to 10 kHz."""
    import altair as alt
    import polars as pl

    known = edge.filter(edge["side"] == "first").drop_nulls()
    known = known if len(known) else edge.drop_nulls()
    spot = known.sort((pl.col("frequency_hz") / 10000.0).log().abs()).head(1).with_columns(text=pl.lit("−6 dB"))
    base = alt.Chart(axes.inline(spot)).encode(x=x, y=y, text="text:N")
    place = {"baseline": "bottom", "dy": -7, "fontWeight": 600}
    halo = base.mark_text(**place, stroke=theme.PANEL.light, strokeWidth=4, strokeJoin="round", aria=False)
    return halo + base.mark_text(**place)


def beamwidth(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """The full −6 dB angle over frequency, both planes. curves: plane, reference, frequency_hz, beamwidth_deg.

    reference is "axis" or "mean" (re the mean of H 0…±30, drawn thin: a dip on the axis widens the angle).
    """
    import altair as alt
    import polars as pl

    names = {
        ("horizontal", "axis"): "Horizontal",
        ("vertical", "axis"): "Vertical",
        ("horizontal", "mean"): "Horizontal, re the ±30° mean",
    }
    key = pl.concat_str("plane", "reference", separator="|")
    frame = curves.with_columns(series=key.replace_strict({"|".join(k): v for k, v in names.items()}, default=None))
    frame = frame.drop_nulls("series").filter(pl.col("frequency_hz") >= 100)
    present = [n for n in names.values() if n in set(frame["series"])]
    all_looks = dict(
        zip(
            names.values(),
            [*lines.styles(3)[:2], lines.Style(theme.PINE.light, theme.DASHES[4], 1.2)],
            strict=True,
        )
    )
    least = _least(frame["beamwidth_deg"])
    low = max((t for t in _BEAM_TICKS_DEG[:4] if t <= least), default=_BEAM_TICKS_DEG[0])
    y = alt.Y(
        "beamwidth_deg:Q",
        axis={
            "values": [t for t in _BEAM_TICKS_DEG if t >= low],
            "title": "Full −6 dB angle (°)",
            "labelExpr": figures.vega("datum.value"),
            "labelOverlap": False,
        },
        scale={"type": "log", "domain": [low, 360], "nice": False},
    )
    panel = Panel(
        frame,
        present,
        [all_looks[n] for n in present],
        "beamwidth_deg",
        "Full −6 dB angle",
        (low, 360),
        width,
        170 if theme.narrow(width) else 230,
        domain_x=(100, 20000),
        unit="°",
        log_y=True,
    )
    drawn = lines.draw(panel, hover=hover, y=y)
    return theme.finish(drawn, heading, width)


def _least(values: pl.Series) -> float:
    found = values.drop_nulls().drop_nans().min()
    return float(found) if isinstance(found, int | float) else 60.0


@dataclass(frozen=True)
class ToneReach:
    """How far the tone holds in one direction, in degrees; low and high: 95 % interval, None where not worked out.

    censored "at_least": it held as far as was measured.
    """

    direction: Literal["left", "right", "up", "down"]
    value_deg: float
    low_deg: float | None = None
    high_deg: float | None = None
    censored: str = "none"

    def text(self) -> str:
        return f"{self.direction} {figures.Quantity('°', 0).text(self.value_deg, self.censored)}"


# Which way a direction lies on the drawing: angle of its axis and the sense of growing, degrees clockwise from the top.
_TURN = {"left": (0.0, -1.0), "right": (0.0, 1.0), "up": (90.0, -1.0), "down": (90.0, 1.0)}


def tone(reaches: Sequence[ToneReach], heading: Heading | None = None, *, width: int = theme.WIDE) -> Any:
    """Two fans: seen from above (left, right) and from the side (up, down). The pale rim is the interval."""
    import altair as alt

    small = theme.narrow(width)
    side = (width - 20) // 2 if small else min(250, (width - 40) // 2)
    fans = []
    for directions, title in ((("left", "right"), "Seen from above"), (("up", "down"), "Seen from the side")):
        mine = [r for r in reaches if r.direction in directions]
        if mine:
            fans.append(_fan(mine, title, side, beside=not small))
    return theme.finish(alt.hconcat(*fans, spacing=20 if small else 24), heading, width)


def _fan(reaches: Sequence[ToneReach], title: str, side: int, *, beside: bool) -> Any:
    """One fan; its angles stand beside the rim, or on a phone in the title."""
    import altair as alt

    radius, middle = side / 2 - 8, side / 2
    origin = _TURN[reaches[0].direction][0]
    wedges = [_wedge(origin - 180, origin + 180, "all")]
    spokes = [_spoke(middle, radius, origin, "axis")]
    texts: list[dict[str, Any]] = []
    for r in reaches:
        axis, sense = _TURN[r.direction]
        wedges += [_wedge(axis, axis + sense * min(r.high_deg, 180.0), "interval")] if r.high_deg is not None else []
        wedges.append(_wedge(axis, axis + sense * (r.value_deg if r.low_deg is None else r.low_deg), "holds"))
        spokes.append(_spoke(middle, radius, axis + sense * r.value_deg, "value"))
        t = math.radians(axis + sense * max(r.value_deg, 12.0))
        x, y = middle + (radius + 8) * math.sin(t), middle - (radius + 8) * math.cos(t)
        texts.append(
            {
                "x": x,
                "y": y,
                "text": r.text(),
                "align": "left" if x > middle + 4 else "right",
                "baseline": "bottom" if y < middle else "top",
            }
        )
    flat = {
        "x": alt.X("x:Q", scale={"domain": [0, side], "nice": False, "zero": False}, axis=None),
        "y": alt.Y("y:Q", scale={"domain": [side, 0], "nice": False, "zero": False}, axis=None),
    }
    body = {"x": middle - 9, "y": middle - 9, "x2": middle + 9, "y2": middle + 9}
    body |= {"y": middle} if origin == 0 else {"x2": middle}  # its front is at the centre of turning
    fills = {"domain": ["all", "interval", "holds"], "range": [theme.PAPER.light, theme.BAND.light, theme.BLUE.light]}
    strokes = {"domain": ["axis", "value"], "range": [theme.RULE.light, theme.INK.light]}
    dashes = {"domain": ["axis", "value"], "range": [[3, 3], [1, 0]]}
    arcs = alt.Chart(alt.InlineData(values=wedges)).mark_arc(
        outerRadius=radius, aria=False, stroke=theme.GRID.light, strokeWidth=1
    )
    ends = {"x2": "x2:Q", "y2": "y2:Q"}
    layers = [
        arcs.encode(
            theta=alt.Theta("start:Q", scale=None), theta2="end:Q", color=alt.Color("part:N", scale=fills, legend=None)
        ),
        alt.Chart(alt.InlineData(values=[body])).mark_rect(color=theme.MUTED.light, aria=False).encode(**flat, **ends),
        alt.Chart(alt.InlineData(values=spokes))
        .mark_rule(strokeWidth=1.4, aria=False)
        .encode(
            **flat,
            **ends,
            stroke=alt.Stroke("part:N", scale=strokes, legend=None),
            strokeDash=alt.StrokeDash("part:N", scale=dashes, legend=None),
        ),
        *(
            alt.Chart(alt.InlineData(values=[{k: label[k] for k in ("x", "y", "text")}]))
            .mark_text(align=label["align"], baseline=label["baseline"])
            .encode(text="text:N", **flat)
            for label in (texts if beside else ())
        ),
    ]
    lines = [title] if beside else [title, *(r.text() for r in reaches)]
    title_ = alt.TitleParams(lines, fontSize=theme.TEXT_PX, fontWeight="normal", anchor="middle")
    return alt.layer(*layers).properties(width=side, height=side, title=title_)


def _wedge(start_deg: float, end_deg: float, part: str) -> dict[str, Any]:
    return {"start": math.radians(start_deg), "end": math.radians(end_deg), "part": part}


def _spoke(middle: float, radius: float, angle_deg: float, part: str) -> dict[str, Any]:
    """A line from the centre, at an angle clockwise from the top."""
    t = math.radians(angle_deg)
    return {
        "x": middle,
        "y": middle,
        "x2": middle + radius * math.sin(t),
        "y2": middle - radius * math.cos(t),
        "part": part,
    }
