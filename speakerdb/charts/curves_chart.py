"""Response curves: the curve set, off-axis response, several speakers, several settings.

All frames are long: one row per curve and frequency. Levels in dB, frequencies in Hz.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import axes, lines, theme
from speakerdb.charts.lines import Panel
from speakerdb.charts.theme import Heading
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    import polars as pl

CURVE_LABELS = {
    "listening_window": "Listening window",
    "on_axis": "On axis",
    "early_reflections": "Early reflections",
    "sound_power": "Sound power",
    "in_room": "Predicted in-room",
    "di_early": "Early-reflections directivity index",
    "di_power": "Sound-power directivity index",
}
_SET = ("on_axis", "listening_window", "early_reflections", "in_room", "sound_power")
_INDICES = ("di_early", "di_power")
_ENLARGED = ("on_axis", "listening_window")
_ENLARGED_DB = 6.0
SPAN_DB = 50.0  # of every response: speakers are compared by eye on one scale
MOST_OVERLAID = 5


def curve_set(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """The curve set of one speaker; below, its middle enlarged, and its directivity indices on the scale of the first.

    curves: part (a key of CURVE_LABELS), frequency_hz, level_db. Parts that are missing are left out.
    """
    import altair as alt

    frame = _labelled(curves)
    present = [p for p in _SET if p in set(curves["part"])]
    indices = [p for p in _INDICES if p in set(curves["part"])]
    levels = frame.filter(frame["part"].is_in(present))
    domain = axes.level_domain(levels["level_db"], least_db=SPAN_DB, most_db=SPAN_DB)
    enlarged = [p for p in _ENLARGED if p in present]
    zoomed = len(enlarged) == len(_ENLARGED)
    top = Panel(
        levels,
        [CURVE_LABELS[p] for p in present],
        lines.styles(len(_SET))[: len(present)],
        "level_db",
        "Level (dB at 1 m)",
        domain,
        width,
        axes.level_height(width, domain[1] - domain[0]),
        bottom=not indices and not zoomed,
    )
    panels = [lines.draw(top, hover=hover)]
    if zoomed:
        panels.append(lines.draw(_enlarged(levels, width, bottom=not indices), hover=hover))
    if indices:
        panels.append(lines.draw(_index_panel(frame, indices, width), hover=hover))
    if len(panels) == 1:
        return theme.finish(panels[0], heading, width)
    stacked = alt.vconcat(*panels, spacing=14).resolve_scale(
        color="independent", strokeDash="independent", strokeWidth="independent"
    )
    return theme.finish(stacked, heading, width)


def _enlarged(levels: pl.DataFrame, width: int, *, bottom: bool) -> Panel:
    """On axis and listening window within 6 dB of the latter's mean over 300 Hz–10 kHz, where balance is judged."""
    import polars as pl

    window = levels.filter(series=CURVE_LABELS["listening_window"])
    middle = window.filter(pl.col("frequency_hz").is_between(300, 10000) & pl.col("level_db").is_finite())["level_db"]
    mean = middle.mean() if len(middle) else 0.0
    names = [CURVE_LABELS[p] for p in _ENLARGED]
    order = [_SET.index(p) for p in _ENLARGED]
    return Panel(
        levels.filter(pl.col("series").is_in(names)).with_columns(deviation_db=pl.col("level_db") - mean),
        names,
        [lines.styles(len(_SET))[i] for i in order],
        "deviation_db",
        "Re its mean (dB)",
        (-_ENLARGED_DB, _ENLARGED_DB),
        width,
        round(width * 0.32),
        step_db=3.0,
        bottom=bottom,
        named=False,
    )


def _index_panel(frame: pl.DataFrame, indices: Sequence[str], width: int) -> Panel:
    below = frame.filter(frame["part"].is_in(indices))
    di_domain = _index_domain(below)
    names = [CURVE_LABELS[p] for p in indices]
    short = [n.removesuffix(" directivity index") for n in names]
    below = below.with_columns(series=below["series"].str.strip_suffix(" directivity index"))
    return Panel(
        below,
        short,
        lines.styles(4)[2 : 2 + len(names)],
        "level_db",
        "DI (dB)" if theme.narrow(width) else "Directivity index (dB)",
        di_domain,
        width,
        axes.level_height(width, di_domain[1] - di_domain[0]),
        step_db=5.0,
    )


def _index_domain(frame: pl.DataFrame) -> tuple[float, float]:
    """From 0 dB up where an index stays near it: a few tenths below, in the bass, are measurement error."""
    import polars as pl

    index = frame.filter(pl.col("frequency_hz") >= 100)["level_db"]
    return axes.level_domain(
        index.clip(lower_bound=0.0) if (index > -1.0).all() else index, most_db=25.0, least_db=15.0, margin_db=0.0
    )


def _labelled(curves: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    return curves.with_columns(series=pl.col("part").replace_strict(CURVE_LABELS, default=None)).drop_nulls("series")


def off_axis(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """Response at a few angles off the axis. curves: angle_deg, frequency_hz, level_db (a mean of both sides)."""
    import polars as pl

    angles = sorted(set(curves["angle_deg"]))
    names = ["On axis" if a == 0 else f"{figures.plain(a)}°" for a in angles]
    frame = curves.with_columns(series=pl.col("angle_deg").replace_strict(dict(zip(angles, names, strict=True))))
    domain = axes.level_domain(frame["level_db"], least_db=SPAN_DB, most_db=SPAN_DB)
    looks = lines.ramp(len(names))[::-1]
    panel = Panel(
        frame,
        names,
        looks,
        "level_db",
        "Level (dB at 1 m)",
        domain,
        width,
        axes.level_height(width, domain[1] - domain[0]),
    )
    return theme.finish(lines.draw(panel, hover=hover), heading, width)


def overlay(
    curves: pl.DataFrame,
    names: Sequence[str],
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
    hover: bool = True,
) -> Any:
    """Two to five speakers over each other, a panel per kind of curve.

    curves: series (in `names`), part (a key of CURVE_LABELS), frequency_hz, level_db; levels already set to a common
    mean. Raises RequestError outside two to five.
    """
    import altair as alt

    if not 2 <= len(names) <= MOST_OVERLAID:
        raise RequestError(f"{len(names)} speakers can't be laid over each other in one chart: two to five can")
    parts = [p for p in CURVE_LABELS if p in set(curves["part"])]
    panels = []
    for i, part in enumerate(parts):
        mine = curves.filter(curves["part"] == part)
        index = part in _INDICES
        domain = _index_domain(mine) if index else axes.level_domain(mine["level_db"], most_db=40.0, least_db=40.0)
        title = f"{CURVE_LABELS[part]} (dB)" if not index else "Directivity index (dB)"
        panels.append(
            Panel(
                mine,
                names,
                lines.styles(len(names)),
                "level_db",
                title,
                domain,
                width,
                axes.level_height(width, domain[1] - domain[0]),
                step_db=5.0 if index else 10.0,
                bottom=i == len(parts) - 1,
                named=i == 0 or not theme.narrow(width),
            )
        )
    stacked = alt.vconcat(*(lines.draw(p, hover=hover) for p in panels), spacing=14).resolve_scale(
        color="independent", strokeDash="independent", strokeWidth="independent"
    )
    return theme.finish(stacked, heading, width)


def settings(
    curves: pl.DataFrame,
    names: Sequence[str],
    heading: Heading | None = None,
    *,
    width: int = theme.WIDE,
    hover: bool = True,
) -> Any:
    """One speaker in two to five settings, and below what each changes against the first.

    curves: series (a setting, in `names`), frequency_hz, level_db. All settings share the frequencies.
    """
    import altair as alt
    import polars as pl

    if not 2 <= len(names) <= MOST_OVERLAID:
        raise RequestError(f"{len(names)} settings can't be laid over each other in one chart: two to five can")
    looks = lines.styles(len(names))
    domain = axes.level_domain(curves["level_db"], most_db=40.0, least_db=40.0)
    first = curves.filter(pl.col("series") == names[0]).select("frequency_hz", first="level_db")
    change = (
        curves.filter(pl.col("series") != names[0])
        .join(first, on="frequency_hz", how="left", maintain_order="left")
        .with_columns(change_db=pl.col("level_db") - pl.col("first"))
    )
    # scaled on 50 Hz and up: below, ratios of two very low levels would set the scale
    seen = change.filter(pl.col("frequency_hz") >= 50)["change_db"]
    span = axes.level_domain([*seen, 2.0, -2.0], most_db=20.0, least_db=5.0, step_db=2.0)
    top = Panel(
        curves,
        names,
        looks,
        "level_db",
        "Listening window (dB at 1 m)",
        domain,
        width,
        axes.level_height(width, domain[1] - domain[0]),
        bottom=False,
    )
    below = Panel(
        change,
        list(names[1:]),
        looks[1:],
        "change_db",
        "Change (dB)",
        span,
        width,
        max(90, axes.level_height(width, span[1] - span[0])),
        step_db=2.0 if span[1] - span[0] <= 12 else 5.0,
        named=not theme.narrow(width),
    )
    stacked = alt.vconcat(lines.draw(top, hover=hover), lines.draw(below, hover=hover), spacing=14)
    return theme.finish(
        stacked.resolve_scale(color="independent", strokeDash="independent", strokeWidth="independent"), heading, width
    )
