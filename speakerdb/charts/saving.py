"""Charts as files: SVG, PNG, and interactive HTML that asks nothing of any other host."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.charts import theme
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    import altair as alt

FORMATS = (".html", ".png", ".svg")
_PNG_SCALE = 2.0


def vegalite_version() -> str:
    """Of the specifications, as the renderer names it: '6.1'."""
    import altair as alt

    return ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])


def _json(specification: dict[str, Any]) -> str:
    return json.dumps(specification, ensure_ascii=False, separators=(",", ":"))


def specification(chart: alt.TopLevelMixin) -> str:
    """The chart as a Vega-Lite specification in JSON, held against the schema."""
    return _json(chart.to_dict())


def unchecked(draw: Callable[[], alt.TopLevelMixin]) -> str:
    """The specification of the chart that `draw` makes, not held against the schema: the tests do that with every
    chart, and where many are drawn it would be a third of the time."""
    from altair.utils import schemapi

    with schemapi.debug_mode(False):
        return _json(draw().to_dict(validate=False))


def render(spec: str) -> str:
    """A specification as one SVG picture, in the light colours. Lets other Python threads run meanwhile."""
    import vl_convert

    picture: str = vl_convert.vegalite_to_svg(spec, vl_version=vegalite_version(), allowed_base_urls=[])
    return picture


def svg(chart: alt.TopLevelMixin, *, dark: bool = False) -> str:
    """The chart as one SVG picture."""
    text = render(specification(chart))
    return theme.darken(text) if dark else text


def png(chart: alt.TopLevelMixin, *, dark: bool = False) -> bytes:
    """The chart as a PNG picture at twice its size in CSS pixels."""
    import vl_convert

    picture: bytes = vl_convert.svg_to_png(svg(chart, dark=dark), scale=_PNG_SCALE)
    return picture


def save(chart: alt.TopLevelMixin, path: str | Path, *, title: str = "Chart", dark: bool = False) -> Path:
    """Write a chart as .html (interactive, both pages), .png or .svg (light, or dark where asked).

    Raises RequestError for another ending or a folder that is not there.
    """
    target = checked(path)
    if target.suffix.lower() == ".html":
        from speakerdb.charts.browser import page

        write(target, page(chart, title).encode())
    elif target.suffix.lower() == ".png":
        write(target, png(chart, dark=dark))
    else:
        write(target, svg(chart, dark=dark).encode())
    return target


def checked(path: str | Path) -> Path:
    """The path, if a chart can be written there; else RequestError. Asked before the work is done, not after."""
    target = Path(path)
    if target.suffix.lower() not in FORMATS:
        raise RequestError(f"{target} ends in {target.suffix or 'nothing'}; a chart is written as .html, .png or .svg")
    if not target.parent.is_dir():
        raise RequestError(f"{target} can't be written: there is no folder {target.parent}")
    return target


def write(target: Path, content: bytes) -> None:
    """Write a file whole; RequestError where the system refuses."""
    try:
        target.write_bytes(content)
    except OSError as error:
        raise RequestError(f"{target} can't be written: {error.strerror}") from error
