"""The one palette and chart theme, light and dark. Pages take the same colours as CSS variables from `css()`.

Every colour stands here once, as a pair (light, dark). Charts are always built in the light colours; `darken` swaps
each for its partner in a finished specification or SVG, so a chart never has to know which page it is on.

The five series colours form a ladder of lightness (so they differ in grey) and keep an OKLab distance of 0.12 or more
from each other for normal, protan, deutan and tritan vision (simulated after Machado, Oliveira & Fernandes 2009,
matrices from memory); tests/charts/test_theme.py measures it. Colour never stands alone: lines differ in dash, points
in shape, and what matters carries a label.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Colour:
    """One role of the palette: its CSS name, its colour on the light page and on the dark one."""

    name: str
    light: str
    dark: str


PAPER = Colour("paper", "#fbfaf6", "#14181d")
PANEL = Colour("panel", "#ffffff", "#1b2027")
INK = Colour("ink", "#1c2126", "#e9ebee")
MUTED = Colour("muted", "#565c64", "#a9b1bb")
GRID = Colour("grid", "#e4e1d9", "#2c333c")
RULE = Colour("rule", "#7d828a", "#78818d")
ACCENT = Colour("accent", "#34579f", "#a9c6f5")
BAND = Colour("band", "#dcd9ee", "#3a3658")
FAINT = Colour("faint", "#a3a7ad", "#59626d")
NEUTRALS = (PAPER, PANEL, INK, MUTED, GRID, RULE, ACCENT, BAND, FAINT)

PINE = Colour("series-1", "#0a260b", "#a7fed6")
PLUM = Colour("series-2", "#57035e", "#a07ebe")
BRICK = Colour("series-3", "#8e3a23", "#f48044")
BLUE = Colour("series-4", "#5274bd", "#9fbce8")
OCHRE = Colour("series-5", "#be8431", "#f4ce3b")
SERIES = (PINE, PLUM, BRICK, BLUE, OCHRE)
DASHES: tuple[tuple[int, ...], ...] = ((), (8, 3), (4, 2), (10, 3, 3, 3), (2, 2))

# Bands of a map, the loudest first: away from the page is loud, so it reads in grey and on both pages.
LEVELS = tuple(
    Colour(f"level-{i}", light, dark)
    for i, (light, dark) in enumerate(
        zip(
            ("#24165b", "#153c78", "#076084", "#098390", "#3aa395", "#7dbf96", "#bad7a1", "#f1eebc"),
            ("#fcf1aa", "#bfd998", "#83bf91", "#49a18e", "#128189", "#0a5e7a", "#143b68", "#1b194b"),
            strict=True,
        )
    )
)
# Drives of a sweep, the quietest first.
DRIVES = tuple(
    Colour(f"drive-{i}", light, dark)
    for i, (light, dark) in enumerate(
        zip(
            ("#4299bf", "#427ab1", "#475a9c", "#4a3b80", "#461d5f", "#3a0138"),
            ("#328bb0", "#689ace", "#96aae4", "#c1baf5", "#e9cefe", "#feebfc"),
            strict=True,
        )
    )
)
PALETTE = (*NEUTRALS, *SERIES, *LEVELS, *DRIVES)

FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", "Noto Sans", "DejaVu Sans", sans-serif'
TEXT_PX, SMALL_PX, TITLE_PX = 12, 11, 15
NARROW_PX = 420  # plots narrower than this are laid out for a phone
WIDE, PHONE = 620, 280  # plot widths for a desktop and for a phone

_DARK_OF = {c.light: c.dark for c in PALETTE}
_QUOTED = re.compile("|".join(f'"{light}"' for light in _DARK_OF))


def darken(text: str) -> str:
    """Swap every light colour for its dark partner in a JSON specification or an SVG, where it is a whole value."""
    return _QUOTED.sub(lambda hit: f'"{_DARK_OF[hit.group()[1:-1]]}"', text)


def css() -> str:
    """The palette as CSS variables, and rules that show inlined light SVGs in dark colours on a dark page.

    Rules on attributes outrank presentation attributes, so `.chart` SVGs need no second copy for the dark page.
    """
    light = "".join(f"--{c.name}:{c.light};" for c in PALETTE)
    dark = "".join(f"--{c.name}:{c.dark};" for c in PALETTE)
    swaps = "".join(
        f'.chart [{attribute}="{c.light}"]{{{attribute}:{c.dark}}}' for c in PALETTE for attribute in ("fill", "stroke")
    )
    on_dark = f":root{{{dark}color-scheme:dark}}{swaps}"
    return f":root{{{light}color-scheme:light}}\n@media screen and (prefers-color-scheme:dark){{{on_dark}}}\n"


def config() -> dict[str, Any]:
    """The Vega-Lite config every chart carries."""
    return {
        "background": PANEL.light,
        "font": FONT,
        "padding": 8,
        "view": {"stroke": None, "fill": None},
        "title": {
            "color": INK.light,
            "fontSize": TITLE_PX,
            "fontWeight": 600,
            "subtitleColor": MUTED.light,
            "subtitleFontSize": TEXT_PX,
            "anchor": "start",
            "frame": "bounds",
            "offset": 10,
            "subtitlePadding": 4,
        },
        "axis": {
            "labelColor": MUTED.light,
            "titleColor": INK.light,
            "labelFontSize": SMALL_PX,
            "titleFontSize": TEXT_PX,
            "titleFontWeight": "normal",
            "gridColor": GRID.light,
            "domainColor": RULE.light,
            "tickColor": RULE.light,
            "tickSize": 4,
            "labelPadding": 4,
            "titlePadding": 6,
            "domain": False,
        },
        "axisX": {"domain": True},
        "legend": {
            "labelColor": INK.light,
            "titleColor": INK.light,
            "labelFontSize": TEXT_PX,
            "titleFontSize": TEXT_PX,
            "titleFontWeight": "normal",
            "orient": "top",
            "symbolStrokeWidth": 2.2,
            "labelLimit": 260,
            "offset": 8,
            "columnPadding": 18,
            "rowPadding": 4,
            "symbolSize": 260,
        },
        "header": {"labelColor": INK.light, "titleColor": INK.light, "labelFontSize": TEXT_PX},
        "text": {"color": INK.light, "fontSize": TEXT_PX},
        "line": {"strokeWidth": 2, "strokeJoin": "round"},
        "rule": {"color": RULE.light},
    }


@dataclass(frozen=True)
class Heading:
    """What stands above a chart: a title, and lines under it. Empty on pages that have their own headings."""

    title: str = ""
    lines: tuple[str, ...] = ()


def finish(chart: Any, heading: Heading | None, width: int) -> Any:
    """Give a chart its heading (wrapped to the plot's width) and the theme."""
    if heading is not None and heading.title:
        title = {"text": wrap(heading.title, width, TITLE_PX)}
        lines = [part for line in heading.lines for part in wrap(line, width, TEXT_PX)]
        chart = chart.properties(title={**title, "subtitle": lines} if lines else title)
    return chart.properties(config=config())  # `configure` would copy the whole chart once more


def wrap(text: str, width: int, size_px: int) -> list[str]:
    """Break text into lines that fit a width in pixels; a character is taken as 0.58 of its size, the wide side."""
    import textwrap

    return textwrap.wrap(text, max(12, int(width / (0.58 * size_px)))) or [""]


def narrow(width: int) -> bool:
    """Whether a plot of this width is laid out for a phone."""
    return width < NARROW_PX
