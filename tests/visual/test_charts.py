"""No chart has text that is cut off or lies over other text, in a real browser, as interactive page and as picture."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from speakerdb.charts import browser as drawing
from speakerdb.charts import saving
from tests.charts import gallery
from tests.visual.browser import browser, needs_browser, text_problems

pytestmark = needs_browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser() as running:
        yield running


@pytest.mark.parametrize("width", gallery.WIDTHS)
@pytest.mark.parametrize("names", ["plain", "awkward"])
def test_no_text_is_cut_off_or_covered(chromium: Any, width: str, names: str) -> None:
    page = chromium.new_page(viewport={"width": 1000 if width == "desktop" else 375, "height": 800})
    found = {}
    for name, draw in gallery.charts(gallery.NAMES if names == "plain" else gallery.AWKWARD).items():
        page.set_content(f"<body style='margin:0'>{saving.svg(draw(gallery.WIDTHS[width]))}</body>")
        problems = text_problems(page)
        if problems:
            found[name] = problems
    page.close()
    assert found == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_interactive_page_draws_without_request_or_error(chromium: Any, scheme: Any, tmp_path: Path) -> None:
    chart = gallery.charts(gallery.AWKWARD)["tone"](620)
    file = tmp_path / "page.html"
    file.write_text(drawing.page(chart, "<script>document.title='run'</script>"), encoding="utf-8")
    context = chromium.new_context(offline=True, color_scheme=scheme)
    page = context.new_page()
    requests: list[str] = []
    errors: list[str] = []
    page.on("request", lambda r: requests.append(r.url))
    page.on("console", lambda m: errors.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("dialog", lambda d: errors.append(f"dialog {d.message}"))
    page.goto(file.as_uri())
    page.wait_for_selector(".drawn svg")
    assert [u for u in requests if not u.startswith(("file:", "data:", "blob:"))] == []
    assert errors == []
    assert page.title().startswith("<script>")
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert dark == {"light": "rgb(251, 250, 246)", "dark": "rgb(20, 24, 29)"}[scheme]
    context.close()
