"""The published site: files that need no server."""

from __future__ import annotations

import html
import json
import re
from itertools import islice
from pathlib import Path
from urllib.parse import unquote

import jsonschema
import pytest

from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.metrics import METRICS
from speakerdb.resources import resource_dir
from speakerdb.web import asides, publishing
from speakerdb.web.cache import Answers
from speakerdb.web.parameters import Ask
from speakerdb.web.security import POLICY
from speakerdb.web.site import Desk
from speakerdb.web.views import dictionary_view, questions, relations
from tests.once import copy_of
from tests.web.conftest import SPEAKERS


@pytest.fixture(scope="module")
def published(file, tmp_path_factory):
    """The site of the small database; pictures are drawn in this process, and only a few."""

    def build(root):
        folder = root / "out"
        patch = pytest.MonkeyPatch()

        def draw(path, folder, charts, advance):
            publishing._open(path)
            for i, (at, name) in enumerate(charts.items()):
                if i % 100 == 0:
                    publishing._draw((at, str(folder / name)))
                else:
                    publishing._write(folder / name, "")

        patch.setattr(publishing, "_draw_all", draw)
        state, files = publishing.publish(file, folder)
        patch.undo()
        assert files == sum(p.is_file() for p in folder.rglob("*"))
        assert state.speakers == SPEAKERS

    return copy_of("site", build, tmp_path_factory) / "out"


def pages(folder: Path):
    found = {p: p.read_text(encoding="utf-8") for p in folder.rglob("*.html")}
    assert len(found) > SPEAKERS
    return found


def test_every_link_leads_to_a_file_of_the_site(published):
    missing = []
    for page, text in pages(published).items():
        for at in re.findall(r'(?:href|src|srcset|action)="([^"#]*)"', text):
            if not at.startswith("data:") and not (page.parent / unquote(at)).is_file():
                missing.append((page.name, at))
    assert missing == []


def test_no_row_lies_on_a_page_that_the_site_does_not_have(file, monkeypatch):
    for view in (relations.tradeoffs, relations.trends, questions.question, dictionary_view.metric):
        monkeypatch.setitem(view.__kwdefaults__, "rows", 2)  # as if the field were large
    with Database.open(file) as base:
        desk = Desk(base, base.state, Answers())
        _, *others = desk.ask("names", asides.names)  # one speaker's pages are made as the others' are
        planned = [page for page in publishing.plan(desk) if not any(slug in page.file for slug in others)]
        assert len(planned) > len(METRICS)
        for page in planned:
            assert page.make(desk, Ask.of(page.given)).content.get("pages", 1) <= 1, page.file


def test_nothing_is_left_to_ask_a_server_for(published):
    for page, text in pages(published).items():
        assert "<form" not in text, page
        assert "/api/" not in text, page
        assert not re.search(r'(?:href|src)="(?:https?:)?//', text), page


def test_there_is_a_page_for_every_speaker_setting_metric_and_question(published):
    assert len(list((published / "speaker").glob("*.html"))) == SPEAKERS + 1
    assert "desk" in (published / "settings" / "alder-fen-sill-0.html").read_text()
    for name in (
        "index",
        "speakers",
        "dictionary",
        "room",
        "room-4",
        "trade-offs",
        "trends",
        "questions",
        "dictionary/f6_hz",
        "questions/sessions",
    ):
        assert (published / f"{name}.html").is_file(), name
    assert "Pennywort Sill 8" in (published / "speakers.html").read_text()


def test_the_numbers_behind_a_speakers_charts_stand_on_its_page(published):
    page = (published / "speaker" / "alder-fen-sill-0.html").read_text()
    tables = dict(re.findall(r'data-chart="([^"]+)".*?<noscript>(.*?)</noscript>', page, re.S))
    assert set(tables) >= {"curves", "map-horizontal", "place"}
    assert all("<td>" in table for table in tables.values())


def test_site_is_small_and_its_charts_come_in_one_script_a_page(published):
    for page, text in pages(published).items():
        figures = set(re.findall(r'<figure class="picture" data-chart="([^"]+)"', text))
        scripts = re.findall(r' data-charts="([^"]+)"', text)
        assert len(scripts) == (1 if figures else 0) or not figures, page
    drawn = [p for p in (published / "drawn").glob("*.js") if p.stat().st_size > 100]
    assert drawn
    assert all(p.read_text(encoding="utf-8").startswith("speakerdbCharts({") for p in drawn)
    licences = (published / "static" / "licences.txt").read_text(encoding="utf-8")
    assert "vega 6" in licences


def test_every_page_carries_the_policy_of_the_server_but_for_framing(published):
    for page in published.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        policy = re.search(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', text)
        assert policy, page
        assert html.unescape(policy[1]) == POLICY.removesuffix("; frame-ancestors 'none'")


def test_a_folder_that_holds_something_is_not_written_into(file, published, tmp_path):
    with pytest.raises(RequestError, match="not an empty folder"):
        publishing.publish(file, published)
    (tmp_path / "file").write_text("x")
    with pytest.raises(RequestError, match="not an empty folder"):
        publishing.publish(file, tmp_path / "file")


def test_charts_are_put_together_on_several_cores(file, tmp_path):
    charts = {
        "/drawn/speaker.js?speaker=alder-fen-sill-0": "drawn/a.js",
        "/drawn/metric.js?metric=f6_hz": "drawn/b.js",
    }
    done = []
    publishing._draw_all(file, tmp_path, charts, done.append)
    assert "Listening window" in (tmp_path / "drawn/a.js").read_text(encoding="utf-8")
    assert "ranking@wide" in (tmp_path / "drawn/b.js").read_text(encoding="utf-8")
    assert len(done) == 2


def test_the_answer_of_the_command_fits_its_schema(file, tmp_path, capsys, monkeypatch):
    from speakerdb.cli.main import run

    plan = publishing.plan
    monkeypatch.setattr(publishing, "plan", lambda desk: islice(plan(desk), 2))
    monkeypatch.setattr(publishing, "_draw_all", lambda *_: None)
    with pytest.raises(SystemExit) as stop:
        run(["publish", str(tmp_path / "site"), "--db", str(file), "--json"])
    assert not stop.value.code
    text = (resource_dir("schemas") / "cli" / "publish.schema.json").read_text(encoding="utf-8")
    jsonschema.Draft202012Validator(json.loads(text)).validate(json.loads(capsys.readouterr().out))
