"""The review sheet in a real browser: on a phone and a desktop, light and dark, with the network off, and on paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from speakerdb.library import Database
from speakerdb.report import page
from tests.report.conftest import field, field_file, lonely  # noqa: F401 (fixtures)
from tests.visual.browser import browser, needs_browser, text_problems

pytestmark = needs_browser
WIDTHS = {"phone": 375, "small phone": 320, "desktop": 1280}

# Contrast of every text with what lies behind it, by WCAG 2. Only plain backgrounds are used, so the nearest painted
# ancestor counts.
CONTRAST = """
() => {
  const channel = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); };
  const parse = (c) => {
    const m = c.match(/[\\d.]+/g).map(Number);
    return {rgb: m.slice(0, 3), a: m.length > 3 ? m[3] : 1};
  };
  const light = (rgb) => 0.2126 * channel(rgb[0]) + 0.7152 * channel(rgb[1]) + 0.0722 * channel(rgb[2]);
  const behind = (e) => {
    for (let a = e; a; a = a.parentElement) {
      const c = parse(getComputedStyle(a).backgroundColor);
      if (c.a === 1) return c.rgb;
    }
    return [255, 255, 255];
  };
  const low = new Set();
  const check = (e, colour, text) => {
    const c = parse(colour);
    const a = light(c.rgb), b = light(behind(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) low.add(text.trim().slice(0, 40) + " " + ratio.toFixed(2));
  };
  for (const e of document.querySelectorAll("svg text"))
    if (e.textContent.trim()) check(e.closest("svg"), getComputedStyle(e).fill, e.textContent);
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    const text = walker.currentNode.textContent;
    if (text.trim() && !e.closest("svg, style, script")) check(e, getComputedStyle(e).color, text);
  }
  return [...low];
}
"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def sheets(field: Database, lonely: Database, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:  # noqa: F811
    """Sheets of a speaker with everything, one with only horizontal curves, three with awkward names, and one alone."""
    folder = tmp_path_factory.mktemp("sheets")
    wanted = {"full": "sill-2", "horizontal": "flat", "script": "script", "quotes": "quotes", "rtl": "rtl"}
    files = {name: page.report(field, slug, folder / f"{name}.html") for name, slug in wanted.items()}
    files["alone"] = page.report(lonely, "sill", folder / "alone.html")
    return files


SHIFTS = """window.shifted = 0; new PerformanceObserver((list) => { for (const e of list.getEntries())
 if (!e.hadRecentInput) window.shifted += e.value; }).observe({type: "layout-shift", buffered: true})"""


def drawn(opened: Any) -> None:
    """Open what is folded and wait for every chart."""
    opened.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    opened.evaluate("dispatchEvent(new Event('beforeprint'))")
    opened.wait_for_function(
        "[...document.querySelectorAll('figure[data-chart]')]"
        ".every(f => f.querySelector('.drawn svg') || f.querySelector('.note'))"
    )


NAMES = ("full", "horizontal", "script", "quotes", "rtl", "alone")


@pytest.mark.parametrize("name", NAMES)
def test_opened_with_the_network_off_it_asks_for_nothing_and_reports_nothing(
    chromium: Any, sheets: dict[str, Path], name: str
) -> None:
    context = chromium.new_context(offline=True)
    opened = context.new_page()
    requests: list[str] = []
    said: list[str] = []
    opened.on("request", lambda r: requests.append(r.url))
    opened.on("console", lambda m: said.append(m.text))
    opened.on("pageerror", lambda e: said.append(str(e)))
    opened.on("dialog", lambda d: said.append(f"dialog {d.message}"))
    opened.goto(sheets[name].as_uri())
    drawn(opened)
    assert [u for u in requests if not u.startswith(("file:", "data:"))] == []
    assert said == []
    context.close()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", NAMES)
def test_no_text_is_cut_off_or_covered_and_nothing_sticks_out(
    chromium: Any, sheets: dict[str, Path], name: str, width: str
) -> None:
    opened = chromium.new_page(viewport={"width": WIDTHS[width], "height": 800})
    opened.goto(sheets[name].as_uri())
    drawn(opened)
    assert text_problems(opened) == []
    assert opened.evaluate("document.documentElement.scrollWidth") <= WIDTHS[width]
    opened.close()


def test_the_verdict_stands_on_the_first_screens_and_nothing_moves(chromium: Any, sheets: dict[str, Path]) -> None:
    for width, most, whole in ((1200, 900, 2700), (390, 1300, 6500)):
        opened = chromium.new_page(viewport={"width": width, "height": 900})
        opened.add_init_script(SHIFTS)
        opened.goto(sheets["full"].as_uri())
        height = opened.evaluate("document.documentElement.scrollHeight")
        for at in range(0, height, 400):
            opened.evaluate(f"scrollTo(0, {at})")
            opened.wait_for_timeout(60)
        assert opened.evaluate("document.querySelector('.strip').getBoundingClientRect().bottom + scrollY") <= most
        assert height <= whole
        assert opened.evaluate("document.documentElement.scrollHeight") == height
        assert opened.evaluate("window.shifted") <= 0.02
        opened.close()


def test_all_charts_take_few_elements_and_each_tells_a_number(chromium: Any, sheets: dict[str, Path]) -> None:
    opened = chromium.new_page(viewport={"width": 1200, "height": 900})
    opened.goto(sheets["full"].as_uri())
    drawn(opened)
    assert opened.evaluate("document.querySelectorAll('*').length") <= 2700
    names = opened.evaluate("[...document.querySelectorAll('.drawing')].map(d => d.getAttribute('aria-label'))")
    assert len(names) == len(set(names)) >= 11
    assert all(re.search(r"\d", name) for name in names), names
    opened.close()


def test_numbers_and_files_are_reached_by_tab_alone_and_hold_what_is_drawn(
    chromium: Any, sheets: dict[str, Path]
) -> None:
    opened = chromium.new_page(viewport={"width": 1200, "height": 900}, accept_downloads=True)
    opened.goto(sheets["full"].as_uri())
    opened.wait_for_selector("figure[data-chart=curves] .drawn svg")
    opened.focus("figure[data-chart=curves] button")
    opened.keyboard.press("Enter")
    head = opened.inner_text("figure[data-chart=curves] .numbers thead")
    assert "Hz" in head
    assert "Listening window" in head
    assert opened.evaluate("document.querySelectorAll('figure[data-chart=curves] .numbers tbody tr').length") == 31
    opened.keyboard.press("Enter")
    assert opened.query_selector(".numbers") is None
    for words, start in (("PNG", b"\x89PNG"), ("SVG", b"<svg"), ("CSV", b"\xef\xbb\xbffrequency_hz,")):
        opened.keyboard.press("Tab")
        assert opened.evaluate("document.activeElement.textContent") == words
        with opened.expect_download() as saved:
            opened.keyboard.press("Enter")
        assert Path(saved.value.path()).read_bytes().startswith(start), words
    opened.keyboard.press("Tab")
    assert opened.evaluate("document.activeElement.closest('figure').dataset.chart") != "curves"
    opened.close()


def test_without_scripts_the_numbers_stand_in_place_of_the_charts(chromium: Any, sheets: dict[str, Path]) -> None:
    context = chromium.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(sheets["full"].as_uri())
    assert "Listening window" in opened.inner_text("figure[data-chart=curves] table")
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_stands_out_by_4_5_to_1(chromium: Any, sheets: dict[str, Path], scheme: Any) -> None:
    context = chromium.new_context(color_scheme=scheme)
    opened = context.new_page()
    opened.goto(sheets["full"].as_uri())
    drawn(opened)
    assert opened.evaluate(CONTRAST) == []
    context.close()


def test_the_pictures_turn_dark_with_the_page(chromium: Any, sheets: dict[str, Path]) -> None:
    found = {}
    for scheme in ("light", "dark"):
        context = chromium.new_context(color_scheme=scheme)
        opened = context.new_page()
        opened.goto(sheets["full"].as_uri())
        opened.wait_for_selector(".drawn svg")
        found[scheme] = opened.evaluate("getComputedStyle(document.querySelector('.drawn svg text')).fill")
        context.close()
    assert found in (
        {"light": "rgb(28, 33, 38)", "dark": "rgb(233, 235, 238)"},
        {"light": "rgb(86, 92, 100)", "dark": "rgb(169, 177, 187)"},
    )


def test_it_prints_light_whatever_the_screen(chromium: Any, sheets: dict[str, Path]) -> None:
    context = chromium.new_context(color_scheme="dark")
    opened = context.new_page()
    opened.goto(sheets["full"].as_uri())
    opened.emulate_media(media="print", color_scheme="dark")
    assert opened.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(251, 250, 246)"
    assert len(opened.pdf()) > 20_000
    context.close()


def test_text_on_a_phone_is_large_enough_to_read(chromium: Any, sheets: dict[str, Path]) -> None:
    opened = chromium.new_page(viewport={"width": 375, "height": 800})
    opened.goto(sheets["full"].as_uri())
    drawn(opened)
    smallest = opened.evaluate(
        "Math.min(...[...document.querySelectorAll('svg text')].filter(e => e.textContent.trim())"
        ".map(e => parseFloat(getComputedStyle(e).fontSize) * Math.hypot(e.getScreenCTM().a, e.getScreenCTM().b)))"
    )
    assert smallest >= 9.0  # CSS pixels (own judgement)
    opened.close()
