"""Chromium for the visual checks: Debian's package, driven by playwright; tests skip only where the browser is
missing."""

from __future__ import annotations

import atexit
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from typing import Any

import pytest

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def executable() -> str | None:
    """The browser, or None."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


needs_browser = pytest.mark.skipif(
    executable() is None, reason="no chromium on this machine: apt-get install chromium to run the visual checks"
)


@contextmanager
def browser() -> Iterator[Any]:
    """The running browser of this process, started once: a second driver would find the first one's event loop. Fails
    where playwright's package is missing, which the `test` extra installs."""
    yield _started()


@cache
def _started() -> Any:
    from playwright.sync_api import sync_playwright

    driver = sync_playwright().start()
    running = driver.chromium.launch(executable_path=executable(), args=FLAGS)
    atexit.register(_end, running, driver)
    return running


def _end(running: Any, driver: Any) -> None:
    with suppress(Exception):  # the process is ending: what can't be closed any more goes with it
        running.close()
        driver.stop()


# Texts that lie over each other or are cut by an ancestor's edge. Bounding boxes are shrunk by a pixel or so, since
# boxes are taller than the glyphs in them; halos (text under the same text) and empty texts do not count.
TEXT_PROBLEMS = """
() => {
  const problems = [], boxes = [];
  const shown = (e) => {
    for (let a = e; a instanceof Element; a = a.parentElement) {
      const style = getComputedStyle(a);
      if (style.display === "none" || style.visibility === "hidden" || +style.opacity === 0) return false;
      if (a.tagName === "DETAILS" && !a.open) return false;
    }
    return true;
  };
  const gather = (element, text, rect) => {
    if (!text || rect.width < 1 || rect.height < 1) return;
    const box = {text, element, x0: rect.left + 1, x1: rect.right - 1, y0: rect.top + rect.height * 0.2,
                 y1: rect.bottom - rect.height * 0.2};
    boxes.push(box);
    const width = document.documentElement.scrollWidth;
    let clip = null, scrolls = false;
    for (let a = element.parentElement; a; a = a.parentElement) {
      const overflow = getComputedStyle(a).overflowX;
      if (a.tagName.toLowerCase() === "svg" && a.parentElement && a.parentElement.tagName.toLowerCase() !== "svg")
        clip = clip || a.getBoundingClientRect();
      if (overflow === "auto" || overflow === "scroll") scrolls = true;
      if (overflow === "hidden" && a !== document.body) clip = clip || a.getBoundingClientRect();
    }
    if (clip && (rect.left < clip.left - 1 || rect.right > clip.right + 1 || rect.top < clip.top - 1 ||
                 rect.bottom > clip.bottom + 1)) problems.push("clipped: " + text);
    if (!scrolls && (rect.left < -0.5 || rect.right > width + 0.5)) problems.push("outside the page: " + text);
  };
  for (const e of document.querySelectorAll("svg text")) {
    if (shown(e) && e.textContent.trim()) gather(e, e.textContent.trim(), e.getBoundingClientRect());
  }
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, parent = node.parentElement;
    if (!node.textContent.trim() || parent.closest("svg, script, style, template") || !shown(parent)) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const rect of range.getClientRects()) gather(parent, node.textContent.trim().slice(0, 60), rect);
  }
  for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
    const a = boxes[i], b = boxes[j];
    const nested = a.element.contains(b.element) || b.element.contains(a.element);
    if (a.element === b.element || a.text === b.text || nested) continue;
    if (a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1) problems.push("overlap: " + a.text + " / " + b.text);
  }
  return [...new Set(problems)];
}
"""


def text_problems(page: Any) -> list[str]:
    """Clipped or overlapping texts of an open page, in words."""
    found: list[str] = page.evaluate(TEXT_PROBLEMS)
    return found
