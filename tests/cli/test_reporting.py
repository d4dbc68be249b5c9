"""report, draft and --out as a user would type them."""

from __future__ import annotations

import json
import shutil

import pytest

import speakerdb as package
from tests.cli.checking import check
from tests.folders import write_session


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    root = tmp_path_factory.mktemp("three")
    for i, year in enumerate((2012, 2016, 2020)):
        write_session(
            root / "in" / f"s{i}",
            bass_hz=35.0 + 15.0 * i,
            narrowing=0.8 + 0.2 * i,
            model=f"Sill {i}",
            year=year,
            height_mm=300 + 50 * i,
            width_mm=200,
            depth_mm=250,
        )
    with package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root / "speakers.duckdb"


@pytest.fixture
def ready(speakerdb, tmp_path, three):
    """The command, with three speakers in ./speakers.duckdb and a draft in ./review.md."""
    shutil.copyfile(three, tmp_path / "speakers.duckdb")
    (tmp_path / "review.md").write_text('Bass to {{ value("sill-1", "f6_hz") }}.\n')
    return speakerdb


@pytest.mark.parametrize("arguments", ["report sill-1 --out sheet.html", "draft review.md", "draft review.md --check"])
def test_json_fits_its_schema(ready, arguments):
    words = arguments.split()
    answer = ready(*words, "--json")
    assert answer.code == 0, answer.err
    check(words[0], answer.document)


def test_the_report_is_written_where_it_says(ready, tmp_path):
    answer = ready("report", "sill-1", "--out", "sheet.html")
    assert answer.code == 0
    assert "sheet.html" in answer.out
    assert (tmp_path / "sheet.html").read_text().startswith("<!doctype html>")


PICTURES = (
    "show sill-1",
    "show sill-1 --picture map-vertical",
    "show sill-1 --picture place",
    "compare sill-0 sill-1 sill-2",
    "compare sill-0 sill-1 --picture differences",
    "rank f6_hz",
    "match sill-1",
    "tradeoff volume_l f6_hz",
    "trend f6_hz --over year",
    "trend f6_hz --over kind",
)


@pytest.mark.parametrize(  # all pictures are written by one function, whatever their ending
    ("command", "ending"), [*((command, "svg") for command in PICTURES), ("show sill-1", "html"), ("rank f6_hz", "png")]
)
def test_answers_are_drawn_with_out(ready, tmp_path, command, ending):
    answer = ready(*command.split(), "--out", f"picture.{ending}", "--json")
    assert answer.code == 0, answer.err
    start = {"html": b"<!doctype html>", "png": b"\x89PNG\r\n", "svg": b"<svg"}[ending]
    assert (tmp_path / f"picture.{ending}").read_bytes().startswith(start)
    check(command.split()[0], answer.document)  # the answer itself stays alone on standard output
    assert "Drawn:" in answer.err


@pytest.mark.parametrize(
    ("command", "code", "said"),
    [
        ("report sill-1 --out sheet.pdf", 1, ".html"),
        ("report sill-1 --out none/sheet.html", 1, "no folder"),
        ("report sill-9 --out sheet.html", 1, "nearest"),
        ("report sill-1", 2, "--out"),
        ("show sill-1 --out picture.gif", 1, ".html, .png or .svg"),
        ("show sill-1 --out picture.svg --picture nope", 2, "'nope' is not one of curves"),
        ("show sill-1 --out picture.svg --picture distortion", 1, "no distortion"),
        ("show sill-1 --out picture.svg --picture settings", 1, "one setting only"),
        ("compare sill-0 sill-1 sill-2 --out d.svg --picture differences", 1, "between two speakers"),
        ("compare sill-0 sill-1 --out d.svg --picture nope", 2, "overlay"),
        ("draft none.md", 1, "can't be read"),
    ],
)
def test_what_cannot_be_done_is_told(ready, tmp_path, command, code, said):
    answer = ready(*command.split())
    assert answer.code == code
    assert said in answer.err
    assert not [f for f in tmp_path.iterdir() if f.suffix in (".html", ".svg", ".gif", ".pdf")]


def test_check_ends_with_1_where_a_filled_number_no_longer_holds(ready, tmp_path):
    assert ready("draft", "review.md").code == 0
    assert ready("draft", "review.md", "--check").code == 0
    write_session(tmp_path / "more", bass_hz=80.0, model="Sill 1", date="2026-05-01")
    assert ready("ingest", "more").code == 0
    answer = ready("draft", "review.md", "--check")
    assert answer.code == 1
    assert "1 no longer agree" in answer.out
    assert 'value("sill-1", "f6_hz")' in answer.out


def test_a_wrong_placeholder_is_an_error_with_line_and_nearest_name(ready, tmp_path):
    (tmp_path / "wrong.md").write_text('one\n{{ value("sill-1", "f6") }}\n{{ valve("sill-1", "f6_hz") }}\n')
    answer = ready("draft", "wrong.md", "--json")
    assert answer.code == 1
    check("error", answer.document)
    (item,) = answer.document["error"]["items"]
    assert (item["file"], item["line"]) == ("wrong.md", 3)
    assert "value" in item["found"]


def test_a_picture_of_a_trade_off_has_every_speaker_whatever_of_them_is_listed(ready):
    import speakerdb
    from speakerdb.questions.tradeoff import Tradeoff
    from speakerdb.report import pictures

    answer = ready("tradeoff", "volume_l", "f6_hz", "--json")
    with speakerdb.open("speakers.duckdb") as base:
        question = Tradeoff("volume_l", "f6_hz", top=1)
        found = question.answer(base)
        drawn = pictures.of_answer(base, question, found, "tradeoff")[1].to_dict()
    tables = [json.loads(rows) if isinstance(rows, str) else rows for rows in drawn["datasets"].values()]
    points = [one["speaker"] for rows in tables for one in rows if "p_frontier" in one]
    assert len(found.rows) == 1 < len(answer.document["rows"])
    assert len(set(points)) == len(answer.document["rows"])
