"""How loud, and what it costs: distortion and compression per drive, usable output against what a room asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import axes, lines, theme
from speakerdb.charts.lines import Panel
from speakerdb.charts.theme import Heading
from speakerdb.metric import CENSORED

if TYPE_CHECKING:
    import polars as pl

_PERCENT_TICKS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
_LIMITS_PERCENT = ((50.0, 100.0, 10.0, "limit 10 %"), (200.0, 5000.0, 3.0, "limit 3 %"))  # bands of the clean levels
_THIRD_OCTAVES = (20.0, 12500.0)
COMPRESSION_LIMIT_DB = -3.0


def _drives(frame: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    import polars as pl

    drives = sorted(set(frame["drive_db"]))
    names = {d: f"{figures.plain(round(d, 1))} dB" for d in drives}
    return frame.with_columns(series=pl.col("drive_db").replace_strict(names, return_dtype=pl.String)), list(
        names.values()
    )


def distortion(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """Distortion over frequency, a line a drive, with the limits of the clean levels over their bands.

    curves: drive_db, frequency_hz, level_db (re the fundamental).
    """
    import altair as alt
    import polars as pl

    frame, names = _drives(curves)
    frame = frame.with_columns(percent=100.0 * 10.0 ** (pl.col("level_db") / 20.0)).with_columns(
        pl.col("percent").clip(_PERCENT_TICKS[0], _PERCENT_TICKS[-1])
    )
    most = frame["percent"].drop_nans().drop_nulls().max()
    high = next(t for t in _PERCENT_TICKS if t >= max(float(most) if isinstance(most, float) else 0.0, 10.0))
    y = alt.Y(
        "percent:Q",
        axis={
            "values": [t for t in _PERCENT_TICKS if t <= high],
            "title": "Distortion (%)",
            "labelExpr": figures.vega("datum.value"),
        },
        scale={"type": "log", "domain": [_PERCENT_TICKS[0], high], "nice": False},
    )
    panel = Panel(
        frame,
        names,
        lines.ramp(len(names)),
        "percent",
        "Distortion",
        (_PERCENT_TICKS[0], high),
        width,
        190 if theme.narrow(width) else 260,
        unit="%",
        log_y=True,
    )
    return theme.finish(lines.draw(panel, hover=hover, y=y, under=[_limits(y)], over=[_limit_words(y)]), heading, width)


def _limit_base(y: Any) -> Any:
    import altair as alt

    rows = [{"frequency_hz": a, "to_hz": b, "percent": p, "text": t} for a, b, p, t in _LIMITS_PERCENT]
    return alt.Chart(alt.InlineData(values=rows)).encode(x=axes.frequency_x(), y=y)


def _limits(y: Any) -> Any:
    """The limits of the clean levels as bars over their bands."""
    return (
        _limit_base(y).mark_rule(color=theme.RULE.light, strokeWidth=6, opacity=0.35, aria=False).encode(x2="to_hz:Q")
    )


def _limit_words(y: Any) -> Any:
    base = _limit_base(y)
    place = {"align": "left", "baseline": "bottom", "dy": -5, "fontSize": theme.SMALL_PX}
    halo = base.mark_text(**place, stroke=theme.PANEL.light, strokeWidth=3, aria=False).encode(text="text:N")
    text = base.mark_text(**place, color=theme.MUTED.light).encode(text="text:N")
    return halo + text


def compression(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """Change of level against the lowest drive, a line a drive; 0 would be no compression.

    curves: drive_db, frequency_hz, change_db (1/3-octave smoothed), without the lowest drive.
    """
    frame, names = _drives(curves)
    # a level that grows beyond the drive is distortion or noise, no compression: it does not set the scale
    shown = frame["change_db"].clip(upper_bound=1.0)
    low, high = axes.level_domain(
        [*shown, COMPRESSION_LIMIT_DB - 0.5, 1.0], most_db=14.0, least_db=5.0, step_db=1.0, margin_db=0.4
    )
    y = axes.level_y("change_db", "Change of level (dB)", (low, high), 1.0)
    panel = Panel(
        frame,
        names,
        lines.ramp(len(names)),
        "change_db",
        "Change of level",
        (low, high),
        width,
        180 if theme.narrow(width) else 240,
    )
    rule = lines.limit_rule(COMPRESSION_LIMIT_DB, y, width)
    said = lines.limit_words(COMPRESSION_LIMIT_DB, "3 dB lost", y, width)
    return theme.finish(lines.draw(panel, hover=hover, y=y, under=[rule], over=[said]), heading, width)


@dataclass(frozen=True)
class Demand:
    """What music asks of one speaker at 1 m: a label and a level per frequency, in dB."""

    label: str
    frequency_hz: tuple[float, ...]
    level_db: tuple[float, ...]


def usable_output(
    points: pl.DataFrame,
    demands: list[Demand],
    heading: Heading | None = None,
    *,
    binds: tuple[float, str] | None = None,
    width: int = theme.WIDE,
) -> Any:
    """Usable output in third-octave bands, and lines of what music asks of it. binds: the band (nominal frequency) that
    limits music and what limits it there, ringed.

    points: frequency_hz, level_db, censored (one of metric.CENSORED); a censored point is drawn as an arrow
    that points to where the true value lies. demands: at most four.
    """
    import altair as alt
    import polars as pl

    frame = points.drop_nulls("level_db").filter(pl.col("level_db").is_finite())
    every = [*frame["level_db"], *(v for d in demands for v in d.level_db)]
    low, high = axes.level_domain(every, most_db=60.0, least_db=60.0, margin_db=2.0)
    y = axes.level_y("level_db", "Level at 1 m (dB)", (low, high))
    height = min(axes.level_height(width, high - low), 400)
    looks = lines.styles(5)[1 : 1 + len(demands)]
    rows = [
        {"series": d.label, "frequency_hz": f, "level_db": v}
        for d in demands
        for f, v in zip(d.frequency_hz, d.level_db, strict=True)
    ]
    x = axes.frequency_x(domain=_THIRD_OCTAVES)
    shape = alt.Shape(
        "censored:N",
        legend=None,
        scale={"domain": list(CENSORED), "range": ["circle", "triangle-down", "triangle-up", "triangle-up"]},
    )
    told = frame.select("frequency_hz", "level_db", "censored").iter_rows()
    words = [(figures.number(f), figures.DB.number(level, censored)) for f, level, censored in told]
    frame = frame.with_columns(
        frequency=pl.Series([f for f, _ in words]), level=pl.Series([level for _, level in words])
    )
    base = alt.Chart(axes.inline(frame)).encode(x=x, y=y)
    line = base.mark_line(color=theme.PINE.light, strokeWidth=1.6, clip=True, aria=False)
    dots = base.mark_point(filled=True, size=54, color=theme.PINE.light, opacity=1, clip=True).encode(
        shape=shape,
        tooltip=[
            alt.Tooltip("frequency:N", title="Frequency (Hz)"),
            alt.Tooltip("level:N", title="Usable output (dB)"),
        ],
    )
    marks = [line, dots] if binds is None else [line, dots, *_ring(frame, {"x": x, "y": y}, *binds)]
    if not demands:
        return theme.finish(alt.layer(*marks).properties(width=width, height=height), heading, width)
    panel = Panel(
        pl.DataFrame(rows),
        [d.label for d in demands],
        looks,
        "level_db",
        "Level at 1 m",
        (low, high),
        width,
        height,
        domain_x=_THIRD_OCTAVES,
    )
    drawn = lines.draw(panel, hover=False, y=y)
    return theme.finish(alt.layer(drawn, *marks).properties(width=width, height=height), heading, width)


def _ring(frame: pl.DataFrame, where: dict[str, Any], frequency_hz: float, cause: str) -> list[Any]:
    """Round the point nearest to a frequency, with what limits it there below; none where that was not measured."""
    import altair as alt
    import polars as pl

    away = frame.select((pl.col("frequency_hz") / frequency_hz).log(2).abs()).to_series()
    if not len(away) or away.min() > 1 / 6:  # type: ignore[operator]
        return []
    nearest = away.arg_min()
    assert nearest is not None
    here = alt.Chart(axes.inline(frame[nearest])).encode(**where)
    ring = here.mark_point(filled=False, size=230, strokeWidth=2, color=theme.BRICK.light, clip=True, aria=False)
    place = {"align": "left", "baseline": "top", "dx": 10, "dy": 4, "fontSize": theme.SMALL_PX}
    text = f"{cause} limits music here"
    halo = here.mark_text(**place, text=text, stroke=theme.PANEL.light, strokeWidth=3, aria=False)
    return [ring, halo, here.mark_text(**place, text=text, color=theme.BRICK.light)]
