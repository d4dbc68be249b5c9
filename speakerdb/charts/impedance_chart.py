"""What the amplifier sees: magnitude with the load on its output devices, and phase, over frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.charts import lines, theme
from speakerdb.charts.lines import Panel
from speakerdb.charts.theme import Heading

if TYPE_CHECKING:
    import polars as pl

NAMES = {"magnitude": "Magnitude", "epdr": "EPDR", "phase": "Phase"}
_TICKS_OHM = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 20.0, 30.0, 50.0, 100.0, 200.0)
_PHASE_DEG = (-90.0, 90.0)


def impedance(
    curves: pl.DataFrame, heading: Heading | None = None, *, width: int = theme.WIDE, hover: bool = True
) -> Any:
    """Magnitude and EPDR on a log axis, the phase in a panel below where there is one.

    curves: frequency_hz, part ("magnitude" | "epdr" | "phase"), value in Ω or degrees.
    """
    import altair as alt
    import polars as pl

    curves = curves.with_columns(series=pl.col("part").replace_strict(NAMES))
    ohm, phase = curves.filter(pl.col("part") != "phase"), curves.filter(part="phase")
    low, high = float(ohm["value"].min()), float(ohm["value"].max())  # type: ignore[arg-type]
    domain = (
        max((t for t in _TICKS_OHM if t <= low), default=low),
        min((t for t in _TICKS_OHM if t >= high), default=high),
    )
    y = alt.Y(
        "value:Q",
        axis={
            "values": [t for t in _TICKS_OHM if domain[0] <= t <= domain[1]],
            "title": "Impedance (Ω)",
            "labelExpr": figures.vega("datum.value"),
        },
        scale={"type": "log", "domain": list(domain), "nice": False},
    )
    height = 190 if theme.narrow(width) else 240
    looks = lines.styles(3)
    present = [name for part, name in NAMES.items() if part in set(ohm["part"])]
    top = Panel(
        ohm,
        present,
        looks[: len(present)],
        "value",
        "Impedance",
        domain,
        width,
        height,
        bottom=not len(phase),
        unit="Ω",
        log_y=True,
    )
    drawn = lines.draw(top, hover=hover, y=y)
    if not len(phase):
        return theme.finish(drawn, heading, width)
    angle = alt.Y(
        "value:Q",
        axis={"values": [-90, -60, -30, 0, 30, 60, 90], "title": "Phase (°)", "labelExpr": figures.vega("datum.value")},
        scale={"domain": list(_PHASE_DEG), "nice": False},
    )
    below = Panel(
        phase, [NAMES["phase"]], looks[2:], "value", "Phase", _PHASE_DEG, width, height // 2, named=False, unit="°"
    )
    stacked = alt.vconcat(drawn, lines.draw(below, hover=hover, y=angle), spacing=14).resolve_scale(
        color="independent", strokeDash="independent", strokeWidth="independent"
    )
    return theme.finish(stacked, heading, width)
