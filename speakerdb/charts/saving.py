"""Charts as files: SVG, PNG, and interactive HTML that asks nothing of any other host."""

from __future__ import annotations

import html
import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.charts import theme
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    import altair as alt

FORMATS = (".html", ".png", ".svg")
_PNG_SCALE = 2.0


def _vegalite_version() -> str:
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

    picture: str = vl_convert.vegalite_to_svg(spec, vl_version=_vegalite_version(), allowed_base_urls=[])
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


@cache
def _scripts() -> str:
    import vl_convert

    bundle: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;", _vegalite_version())
    return bundle.replace("</script", "<\\/script")


# Drawn again when the page turns dark or light, so that a chart left open follows the page.
_DRAW = """
const light = JSON.parse(document.getElementById("light").textContent);
const dark = JSON.parse(document.getElementById("dark").textContent);
const prefers = matchMedia("(prefers-color-scheme: dark)");
const actions = {export: true, source: false, compiled: false, editor: false};
function draw() {
  charts.forEach((_, i) => vegaEmbed("#chart" + i, (prefers.matches ? dark : light)[i], {renderer: "svg", actions}));
}
const charts = light;
prefers.addEventListener("change", draw);
draw();
"""


def page(charts: list[alt.TopLevelMixin], title: str) -> str:
    """One HTML page with interactive charts under each other; scripts and data inside, nothing fetched."""
    plain = _json([c.to_dict() for c in charts])  # type: ignore[arg-type]
    light, dark = (text.replace("<", "\\u003c") for text in (plain, theme.darken(plain)))
    places = "".join(f'<div class="figure"><div id="chart{i}"></div></div>' for i in range(len(charts)))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html.escape(title)}</title><link rel='icon' href='data:,'><style>{theme.css()}"
        "body{margin:0;padding:16px;background:var(--paper);color:var(--ink);font-family:" + theme.FONT + "}"
        ".figure{overflow-x:auto;margin:0 auto 20px;max-width:max-content;background:var(--panel)}"
        "</style></head><body>"
        f'{places}<script type="application/json" id="light">{light}</script>'
        f'<script type="application/json" id="dark">{dark}</script>'
        f"<script>{_scripts()}</script><script>{_DRAW}</script></body></html>\n"
    )


def save(chart: alt.TopLevelMixin, path: str | Path, *, title: str = "Chart", dark: bool = False) -> Path:
    """Write a chart as .html (interactive, both pages), .png or .svg (light, or dark where asked).

    Raises RequestError for another ending or a folder that is not there.
    """
    target = checked(path)
    if target.suffix.lower() == ".html":
        write(target, page([chart], title).encode())
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
