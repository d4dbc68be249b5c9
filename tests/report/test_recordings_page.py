"""The page on which choices are confirmed: one file, no scripts, nothing fetched."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import numpy as np
import pytest

from speakerdb.charts import plain_plot
from speakerdb.charts.plain_plot import Line, Plot
from speakerdb.report import recordings_page
from speakerdb.upkeep import recordings
from tests.signals import prototypes


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Of two recordings in a room whose file names try to be markup."""
    played = prototypes.sweep(seconds=1.5)
    ways = [(0.01, 1.0), (0.0147, 0.3)]
    found = {
        f"h_{a} <script>alert(1)<.wav": 0.1 * prototypes.record(prototypes.two_way, ways, played, noise=1e-4, seed=a)
        for a in (0, 30)
    }
    keys = 'reference = "sweep.wav"\npattern = "{orbit}_{angle} *.wav"\nmic_height_m = 0.8\n'
    folder = prototypes.write(tmp_path_factory.mktemp("page") / "raw & more", found, keys, played=played)
    told = recordings.prepare(folder)
    return told, recordings_page.write(told).read_text(encoding="utf-8")


def test_the_page_has_no_script_and_fetches_nothing(page):
    _, text = page
    assert "default-src 'none'" in text
    assert "<script" not in text
    assert not re.search(r"(?:src|href)=[\"'](?!data:)", text)
    assert re.search(r"style-src 'sha256-[\w+/=]+'", text)
    assert " style=" not in text  # the policy lets none of those count


def test_the_page_shows_what_was_chosen_and_what_is_asked(page):
    told, text = page

    class Words(HTMLParser):
        seen = ""

        def handle_data(self, data):
            self.seen += data

    reader = Words()
    reader.feed(text)
    assert [q.key for q in told.questions] == ["first_reflection"]
    assert 'confirmed = ["first_reflection"]' in reader.seen
    assert "raw & more" in reader.seen
    for heading in ("Impulse response", "A shorter gate", "Background noise"):
        assert heading in reader.seen
    assert "85 dB(A)" in reader.seen


def test_lines_are_drawn_where_they_lie_and_not_beyond_the_plot():
    x = np.array([20.0, 200.0, 2000.0, 20000.0])
    line = Line("one", x, np.array([0.0, 50.0, np.nan, 200.0]))
    drawn = plain_plot.svg(Plot("<t>", "Hz", "dB", [line], (20.0, 20000.0), (0.0, 100.0)))
    (path,) = re.findall(r'class="line line-1" d="([^"]*)"', drawn)
    points = [tuple(map(float, p.split())) for p in re.findall(r"[ML]([\d.]+ [\d.]+)", path)]
    assert len(points) == 2
    (x0, y0), (x1, y1) = points
    assert x1 - x0 == pytest.approx((plain_plot.WIDTH - 64) / 3, abs=0.2)
    assert y0 - y1 == pytest.approx((plain_plot.HEIGHT - 48) / 2, abs=0.2)
    assert "&lt;t&gt;" in drawn
