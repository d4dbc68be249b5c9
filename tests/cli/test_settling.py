"""settle: JSON answers to its schema, text names the measurement and its expected interval, errors say what is
wrong."""

from __future__ import annotations

import shutil

import pytest

import speakerdb as speakerdb_package
from tests.cli.checking import check
from tests.folders import write_session


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    """Two speakers that can hardly be told apart, measured by two labs, and one that differs."""
    root = tmp_path_factory.mktemp("three")
    for name, lab, bass_hz in (("one", "shed", 50.0), ("two", "barn", 51.0), ("far", "barn", 90.0)):
        write_session(root / "in" / name, bass_hz=bass_hz, lab=lab, model=name, slug=name, maker="Alder Fen")
    with speakerdb_package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root / "speakers.duckdb"


@pytest.fixture
def filled(speakerdb, tmp_path, three):
    shutil.copy(three, tmp_path)
    return speakerdb


def balance_rows(answer):
    return [row for row in answer["rows"] if row["metric"] == "bass_balance_db"]


def test_what_would_settle_two_that_are_tied(filled):
    outcome = filled("settle", "one", "two", "--json")
    assert outcome.code == 0, outcome.err
    check("settle", outcome.document)
    answer = outcome.document
    assert {"f6_hz", "bass_balance_db"} <= set(answer["undecided"])
    assert not set(answer["undecided"]) & set(answer["decided"])
    settles = [row["settles"] for row in answer["overall"]]
    assert settles == sorted(settles, reverse=True)
    chances = [row["chance"] for row in balance_rows(answer)]
    assert chances == sorted(chances, reverse=True)
    # two labs: what their benches differ by blurs the balance of bass most
    assert balance_rows(answer)[0]["what"] in ("lab", "together")


def test_predicted_preference_takes_part(filled):
    answer = filled("settle", "one", "two", "--metric", "preference", "--json").document
    assert answer["undecided"] + answer["decided"] == ["preference"]


def test_what_samples_differ_by_counts_only_for_who_would_buy_another(filled):
    measured, bought = (filled("settle", "one", "two", *more, "--json").document for more in ((), ("--another-unit",)))
    assert not any(row["what"] == "sample" for row in measured["rows"])
    assert any(row["what"] == "sample" for row in bought["rows"])
    assert set(measured["undecided"]) <= set(bought["undecided"])


def test_the_text_says_what_to_measure_and_what_to_expect_of_it(filled):
    outcome = filled("settle", "one", "two", "--metric", "bass_balance")
    assert outcome.code == 0, outcome.err
    assert "The difference can't be told." in outcome.out
    assert "measure" in outcome.out
    assert "chance to tell" in outcome.out
    assert "positioning of the microphone is not modelled" in outcome.out


def test_what_differs_already_needs_no_measurement(filled):
    answer = filled("settle", "one", "far", "--metric", "f6_hz", "--json").document
    assert (answer["rows"], answer["undecided"], answer["decided"]) == ([], [], ["f6_hz"])
    assert "The difference can be told." in filled("settle", "one", "far", "--metric", "f6_hz").out


def test_a_speaker_against_itself_is_refused(filled):
    outcome = filled("settle", "one", "one")
    assert outcome.code == 1
    assert "two different speakers" in outcome.err
