"""A plot of lines as one SVG of a few hundred points, that needs neither scripts nor a library to be seen."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from speakerdb import figures
from speakerdb.charts import theme
from speakerdb.session import FloatArray

WIDTH, HEIGHT = 640, 260
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 12, 10, 38
_MOST_POINTS = 700
_DECADES_HZ = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)
_STEPS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_ABOUT = 6  # marks along an axis


@dataclass(frozen=True, eq=False)
class Line:
    """x, y (n,); NaN leaves a gap."""

    name: str
    x: FloatArray
    y: FloatArray


@dataclass(frozen=True, eq=False)
class Plot:
    """Lines over frequency (log_x) or time; marks: names and places of upright lines; what lies beyond y_span is
    not drawn."""

    title: str
    x_title: str
    y_title: str
    lines: Sequence[Line]
    x_span: tuple[float, float]
    y_span: tuple[float, float]
    log_x: bool = True
    marks: Sequence[tuple[str, float]] = ()

    @property
    def legend(self) -> list[str]:
        return [line.name for line in self.lines]


def svg(plot: Plot) -> str:
    """The plot; colours and dashes of lines by the classes line-1 … line-5."""
    wide, high = WIDTH - _LEFT - _RIGHT, HEIGHT - _TOP - _BOTTOM
    (x0, x1), (y0, y1) = plot.x_span, plot.y_span

    def across(x: FloatArray) -> FloatArray:
        share = np.log(x / x0) / np.log(x1 / x0) if plot.log_x else (x - x0) / (x1 - x0)
        return np.asarray(_LEFT + wide * share)

    def up(y: FloatArray) -> FloatArray:
        share = (y - y0) / (y1 - y0)
        return np.where((share >= -1e-9) & (share <= 1.0 + 1e-9), _TOP + high * (1.0 - share), np.nan)

    parts = []
    for value in _marks(y0, y1):
        at = _px(float(up(np.array(value))))
        parts.append(f'<path class="grid" d="M{_LEFT} {at}H{WIDTH - _RIGHT}"/>')
        parts.append(f'<text class="tick end" x="{_LEFT - 6}" y="{at}" dy="0.35em">{figures.plain(value, 3)}</text>')
    places = [f for f in _DECADES_HZ if x0 <= f <= x1] if plot.log_x else _marks(x0, x1)
    for value in places:
        at = _px(float(across(np.array(value))))
        label = figures.hertz(value).removesuffix(" Hz").replace(" kHz", "k") if plot.log_x else figures.plain(value, 3)
        parts.append(f'<path class="grid" d="M{at} {_TOP}V{HEIGHT - _BOTTOM}"/>')
        parts.append(f'<text class="tick middle" x="{at}" y="{HEIGHT - _BOTTOM + 14}">{label}</text>')
    for number, (name, place) in enumerate(plot.marks):
        if x0 <= place <= x1:
            at = _px(float(across(np.array(place))))
            parts.append(f'<path class="mark" d="M{at} {_TOP}V{HEIGHT - _BOTTOM}"/>')
            parts.append(f'<text class="tick" x="{at}" y="{_TOP + 10 + 14 * number}" dx="3">{html.escape(name)}</text>')
    for number, line in enumerate(plot.lines[: len(theme.SERIES)], 1):
        parts.append(f'<path class="line line-{number}" d="{_path(line, plot.x_span, across, up)}"/>')
    titles = (
        f'<text class="tick middle" x="{_LEFT + wide // 2}" y="{HEIGHT - 6}">{html.escape(plot.x_title)}</text>'
        f'<text class="tick middle" transform="translate(12 {_TOP + high // 2}) rotate(-90)">'
        f"{html.escape(plot.y_title)}</text>"
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(plot.title)}">'
        + "".join(parts)
        + titles
        + "</svg>"
    )


def _path(line: Line, span: tuple[float, float], across: object, up: object) -> str:
    assert callable(across)
    assert callable(up)
    inside = (line.x >= span[0]) & (line.x <= span[1])
    x, y = line.x[inside], line.y[inside]
    if len(x) > _MOST_POINTS and span[0] > 0.0:
        keep = np.unique(np.searchsorted(x, np.geomspace(x[0], x[-1], _MOST_POINTS)).clip(0, len(x) - 1))
        x, y = x[keep], y[keep]
    text, pen = [], "M"
    for px, py in zip(across(x).tolist(), up(y).tolist(), strict=True):
        if math.isfinite(py):
            text.append(f"{pen}{_px(px)} {_px(py)}")
            pen = "L"
        else:
            pen = "M"
    return "".join(text)


def _px(value: float) -> str:
    return str(round(value * 10.0) / 10.0)


def _marks(low: float, high: float) -> list[float]:
    step = next((s for s in _STEPS if (high - low) / s <= _ABOUT), (high - low) / _ABOUT)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def css() -> str:
    """Rules for the classes of `svg`, by the palette's variables."""
    lines = "".join(
        f".line-{i}{{stroke:var(--{colour.name});stroke-dasharray:{' '.join(map(str, dash)) or 'none'}}}"
        for i, (colour, dash) in enumerate(zip(theme.SERIES, theme.DASHES, strict=True), 1)
    )
    return (
        "svg{width:100%;height:auto;max-width:760px}.grid{stroke:var(--grid);fill:none}"
        ".line{fill:none;stroke-width:1.6}.mark{stroke:var(--rule);stroke-dasharray:2 3;fill:none}"
        f".tick{{fill:var(--muted);font-size:{theme.SMALL_PX}px}}.end{{text-anchor:end}}.middle{{text-anchor:middle}}"
        + lines
    )
