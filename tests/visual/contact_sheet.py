"""Draws every chart and the review sheets of a few speakers onto contact sheets, to be looked at by eye.

    python tests/visual/contact_sheet.py FOLDER [DATABASE]

FOLDER must lie outside the repository. Without a database, the sheets come from the made-up speakers of the tests.
Leaves charts-{desktop,phone}-{light,dark}.png, and for each speaker sheet-NAME-{desktop,phone}-{light,dark}.png.
"""

# ruff: noqa: E402 (the import path is set first)

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
_tests = ModuleType("tests")  # some installed packages bring a package of that name, which would win
_tests.__path__ = [str(ROOT / "tests")]
sys.modules["tests"] = _tests

import speakerdb
from speakerdb.charts import saving, theme
from speakerdb.library import Database
from speakerdb.report import page
from tests.charts import gallery
from tests.report.conftest import fill
from tests.visual.browser import browser

VIEWPORTS = {"desktop": 1280, "phone": 375}
SCHEMES = ("light", "dark")
ODD = ("sill-2", "flat", "script", "quotes", "rtl")  # of the made-up speakers: all measured, one orbit, awkward names


def charts_page(width: str) -> str:
    """Every chart of the gallery on one page, with plain and with awkward names."""
    figures = []
    for names in (gallery.NAMES, gallery.AWKWARD):
        for draw in gallery.charts(names).values():
            figures.append(f'<figure class="chart">{saving.svg(draw(gallery.WIDTHS[width]))}</figure>')
    style = "body{margin:12px;background:var(--paper);display:flex;flex-wrap:wrap;gap:12px}figure{margin:0}"
    return f"<!doctype html><meta charset='utf-8'><style>{theme.css()}{style}</style>{''.join(figures)}"


def shoot(running: Any, file: Path, folder: Path, name: str, width: str) -> None:
    """Screenshots of one page, light and dark, with everything unfolded."""
    for scheme in SCHEMES:
        context = running.new_context(
            viewport={"width": VIEWPORTS[width], "height": 900}, color_scheme=scheme, offline=True
        )
        opened = context.new_page()
        opened.goto(file.as_uri())
        opened.screenshot(path=folder / f"{name}-{width}-{scheme}.png", full_page=True)
        context.close()


def sheets(base: Database, folder: Path, speakers: list[str]) -> list[Path]:
    return [page.report(base, s, folder / f"sheet-{base.find(s)[1]}.html") for s in speakers]


def main(arguments: list[str]) -> int:
    if len(arguments) not in (1, 2):
        sys.stderr.write(__doc__ or "")
        return 2
    folder = Path(arguments[0]).resolve()
    if folder.is_relative_to(ROOT):
        sys.stderr.write(f"{folder} lies inside the repository; expected a folder outside it\n")
        return 2
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, browser() as running:
        for width in VIEWPORTS:
            file = folder / f"charts-{width}.html"
            file.write_text(charts_page(width), encoding="utf-8")
            shoot(running, file, folder, "charts", width)
        if len(arguments) == 2:
            with speakerdb.open(arguments[1]) as base:
                speakers = base.list()["speaker"].to_list()
                files = sheets(base, folder, speakers[:: max(1, len(speakers) // 5)][:5])
        else:
            with speakerdb.open(Path(scratch) / "speakers.duckdb", write=True) as base:
                base.ingest(fill(Path(scratch) / "in"))
                base.work_out()
                files = sheets(base, folder, list(ODD))
        for file in files:
            for width in VIEWPORTS:
                shoot(running, file, folder, file.stem, width)
    sys.stdout.write(f"{len(list(folder.glob('*.png')))} pictures are in {folder}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
