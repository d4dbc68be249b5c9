from __future__ import annotations

import re
from pathlib import Path

import pytest

from speakerdb.charts import browser, saving, theme
from speakerdb.errors import RequestError
from tests.charts import gallery


@pytest.fixture(scope="module")
def chart() -> object:
    return gallery.charts(gallery.AWKWARD)["tone"](300)


@pytest.mark.parametrize("ending", ["html", "png", "svg"])
def test_a_chart_is_written_in_each_format(chart: object, ending: str, tmp_path: Path) -> None:
    file = saving.save(chart, tmp_path / f"chart.{ending}")  # type: ignore[arg-type]
    start = {"html": b"<!doctype html>", "png": b"\x89PNG\r\n", "svg": b"<svg"}[ending]
    assert file.read_bytes().startswith(start)


def test_the_page_names_no_other_host_to_load_from(chart: object) -> None:
    text = browser.page(chart, "<script>alert(1)</script>")  # type: ignore[arg-type]
    assert not re.search(r"<(script|link|img|iframe)[^>]+(src|href)=[\"']?(https?:)?//", text)
    assert "<script>alert" not in text
    assert "script-src 'sha256-" in text
    data = text[text.rindex("<script>speakerdbCharts(") :]
    assert data.count("<") == len(["<script>", "</script>", "</body>", "</html>"])


def test_the_dark_picture_has_the_dark_panel(chart: object) -> None:
    svg = saving.svg(chart, dark=True)  # type: ignore[arg-type]
    assert theme.PANEL.dark in svg
    assert f'"{theme.PANEL.light}"' not in svg


def test_another_ending_or_a_missing_folder_is_refused_in_words(chart: object, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"\.html, \.png or \.svg"):
        saving.save(chart, tmp_path / "chart.pdf")  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="no folder"):
        saving.save(chart, tmp_path / "nowhere" / "chart.svg")  # type: ignore[arg-type]
