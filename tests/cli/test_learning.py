"""derive --learn, --adopt, --forget as typed: the tables fit a terminal, the answers their schema, and one says what to
run next."""

from __future__ import annotations

import shutil

import pytest

import speakerdb as speakerdb_package
from tests.cli.test_comparing import check
from tests.upkeep.test_adopting import ATTIC, SHED, write


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """Five specimens that the shed and the attic have both measured."""
    root = tmp_path_factory.mktemp("shared")
    for i in range(5):
        write(root / "in", i)
        write(root / "in", i, "attic")
    with speakerdb_package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root / "speakers.duckdb"


@pytest.fixture
def filled(speakerdb, tmp_path, shared):
    shutil.copy(shared, tmp_path)
    return speakerdb


def test_what_the_repeats_say_fits_a_terminal_and_ends_with_what_to_run(filled):
    out = filled("derive", "--learn").out.splitlines()
    assert max(map(len, out)) <= 80
    assert any(line.split()[:2] == ["shed", "(near-field-scan,"] for line in out)
    assert "Stays as it is, repeat of a curve: no speakers; it takes 5." in out
    assert out[-2].startswith("`speakerdb derive --adopt`")
    assert out[-1].startswith("`speakerdb derive --forget`")


def test_looking_gives_the_numbers_and_changes_nothing(filled):
    first, again = (filled("derive", "--learn", "--json").document for _ in range(2))
    check("derive", first)
    assert first == again
    assert (first["error_model"], first["drawn"], first["learned"]["counts"]) == (0, 0, False)
    parts = {p["part"]: p for p in first["learned"]["parts"]}
    assert parts["sample"] == {
        "part": "sample",
        "default_sd_db": 0.5,
        "seen_sd_db": None,
        "wanted_sd_db": 0.5,
        "n": 0,
        "sessions": 0,
        "adoptable": False,
        "reason": "no speakers; it takes 5",
    }
    (bench,) = first["learned"]["benches"]
    assert (bench["to_bench"], bench["bench"], bench["specimens"], bench["adoptable"]) == (ATTIC, SHED, 5, True)


def test_adopting_and_forgetting_recompute_what_rests_on_it(filled):
    answer = filled("derive", "--adopt", "--json").document
    check("derive", answer)
    assert (answer["error_model"], answer["drawn"], answer["learned"]["counts"]) == (1, 10, True)
    assert "This counts already (error model version 1)." in filled("derive", "--learn").out
    labs = filled("labs", "--metric", "treble_balance_db", "--json").document
    check("labs", labs)
    (row,), (curve,) = labs["rows"], labs["curves"]
    assert curve["aligned"]
    assert abs(row["offset"]) > 0.3
    assert abs(row["left"]) < 0.1
    assert "aligned, which leaves" in filled("labs", "--metric", "treble_balance_db").out
    answer = filled("derive", "--forget", "--json").document
    check("derive", answer)
    assert (answer["error_model"], answer["drawn"], answer["learned"]) == (2, 10, None)
    assert filled("labs", "--metric", "treble_balance_db", "--json").document["rows"][0]["left"] is None


def test_one_thing_at_a_time(filled):
    answer = filled("derive", "--learn", "--adopt")
    assert answer.code == 2
    assert "one of --learn, --adopt and --forget" in answer.err


def test_with_nothing_to_learn_it_says_what_it_takes(speakerdb, tmp_path):
    write(tmp_path / "in", 1)
    speakerdb("ingest", "in")
    assert "it takes 5" not in speakerdb("derive").out
    for option in ("--learn", "--adopt"):
        assert "repeats of 5 speakers" in speakerdb("derive", option).out
