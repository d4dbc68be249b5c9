"""The commands about filters, place and subwoofer, as one types them."""

from __future__ import annotations

import csv
import json
import shutil

import pytest

import speakerdb as package
from tests.folders import write_fleet

PLACE = ("place", "sill-1", "--room", "5x4x2.5", "--at", "0.6,1.1,0.9", "--seat", "3.1,1.9")


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    folder = tmp_path_factory.mktemp("equalising")
    with package.open(folder / "speakers.duckdb", write=True) as base:
        base.ingest(write_fleet(folder / "in"))
    return folder / "speakers.duckdb"


@pytest.fixture
def filled(speakerdb, tmp_path, stored):
    """The command, with four speakers in ./speakers.duckdb."""
    shutil.copy(stored, tmp_path)
    return speakerdb


@pytest.mark.parametrize("command", [("equalise", "sill-1", "--ringing", "34,68", "--room", "5x4x2.5"), PLACE])
def test_what_is_told_fits_a_terminal_of_80_columns(filled, command):
    answer = filled(*command)
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= 80


def test_filters_are_written_as_csv_and_as_json_with_the_same_numbers(filled, tmp_path):
    shown = filled("equalise", "sill-1", "--ringing", "40", "--json").document
    for name in ("filters.csv", "filters.json"):
        assert filled("equalise", "sill-1", "--ringing", "40", "--out", str(tmp_path / name)).code == 0
    with (tmp_path / "filters.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    as_json = json.loads((tmp_path / "filters.json").read_text(encoding="utf-8"))
    assert as_json["filters"] == shown["filters"]
    assert as_json["sampling_hz"] == shown["sampling_hz"] == 48000.0
    assert len(rows) == len(shown["filters"]) > 0
    for row, one in zip(rows, shown["filters"], strict=True):
        assert [float(row[c]) for c in ("b0", "b1", "b2", "a1", "a2")] == [*one["b"], *one["a"][1:]]
        assert (row["type"], float(row["frequency_hz"])) == (one["type"], one["frequency_hz"])


@pytest.mark.parametrize(
    ("command", "code", "said"),
    [
        (("equalise", "sill-1", "--out", "x.png"), 2, "expected .csv or .json"),
        (("equalise", "sill-1", "--out", "nowhere/x.csv"), 1, "can't be written"),
        (("equalise", "sill-1", "--bands", "6"), 2, "at most 5"),
        (("equalise", "sill-1", "--fs", "31999"), 2, "at least 32 000"),
        ((*PLACE[:-1], "9,9"), 2, "outside the room"),
        (("pair", "sill-1", "--crossover", "200"), 2, "expected 40 to 160"),
        (("rank", "di_power_mean_db", "--equalised"), 1, "not changed by equalisation"),
    ],
)
def test_what_can_t_be_served_is_told_with_its_exit_code(filled, command, code, said):
    answer = filled(*command)
    assert answer.code == code
    assert said in " ".join(answer.err.split())
