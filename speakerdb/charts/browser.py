"""Charts drawn by the reader's browser: the library, the script that draws, and what a page gives them."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.charts import packing, saving, theme
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import altair as alt

HERE = Path(__file__).parent
SCRIPT = HERE / "charts.js"
LICENCES = HERE / "licences.txt"


@cache
def library() -> str:
    """Vega, Vega-Lite and Vega-Embed as one classic script that leaves `vegaEmbed` behind and nothing else."""
    import vl_convert

    bundle: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;", saving.vegalite_version())
    return (
        f"/*\n{LICENCES.read_text(encoding='utf-8')}*/\n"
        + "(() => {"
        + bundle.replace("</script", "<\\/script")
        + "})();\n"
    )


def data(charts: Mapping[str, Callable[[], Any]]) -> str:
    """The script of a page's own: its charts by name. Each is drawn by a function, in light colours; the page's style
    turns them dark. One that can't be drawn (RequestError) is left out: the page says why in its place."""
    drawn: dict[str, Any] = {}
    for name, draw in charts.items():
        with suppress(RequestError):
            drawn[name] = json.loads(saving.unchecked(draw))
    return f"speakerdbCharts({packing.packed(drawn)});\n"


def inside(charts: Mapping[str, Callable[[], Any]]) -> tuple[str, str]:
    """What a page that is one file holds of its charts: the scripts as elements, and the sources that its content
    policy names so that these and no others run."""
    scripts = [library(), SCRIPT.read_text(encoding="utf-8"), data(charts)]
    return "\n".join(f"<script>{script}</script>" for script in scripts), " ".join(map(_hash, scripts))


def _hash(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def page(chart: alt.TopLevelMixin, title: str) -> str:
    """One HTML page with an interactive chart; scripts and data inside, nothing fetched. It follows the reader's light
    or dark colours."""
    scripts, sources = inside({"chart": lambda: chart})
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        f"script-src {sources}; style-src 'unsafe-inline'; img-src data: blob:\">"
        f"<title>{html.escape(title)}</title><link rel='icon' href='data:,'><style>{theme.css()}"
        "body{margin:0;padding:16px;background:var(--paper);color:var(--ink);font-family:" + theme.FONT + "}"
        "figure{overflow-x:auto;margin:0 auto;max-width:max-content;background:var(--panel);padding:8px}"
        "figcaption{position:absolute;clip-path:inset(50%)}.tools{display:flex;gap:8px}"
        ".drawn svg{background-color:var(--panel)!important}"
        "#vg-tooltip-element{position:fixed;background:var(--ink);color:var(--paper);padding:4px 8px}"
        "#vg-tooltip-element:not(.visible){display:none}"
        f'</style></head><body><figure data-chart="chart"><div class="drawing chart" role="img" '
        f'aria-label="{html.escape(title)}"></div><figcaption>{html.escape(title)}</figcaption>'
        '<p class="tools"></p></figure>'
        f"{scripts}</body></html>\n"
    )
