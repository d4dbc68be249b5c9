"""The room question asked of a database: filters against requirements, settings on common units, figures by row."""

from __future__ import annotations

import re

import numpy as np
import polars as pl
import pytest

import speakerdb
from speakerdb.declare import AskError
from speakerdb.errors import RequestError
from speakerdb.questions.shortlist import Shortlist
from speakerdb.words.room_words import basis, chance_text
from tests.room_fleet import write_rooms, write_speaker


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    root = tmp_path_factory.mktemp("rooms")
    write_rooms(root / "in")
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        yield base


def ask(**changes):
    return {"distance": 3.0, "level": 95.0, "volume": 60.0, **changes}


def names(frame):
    return {name.removeprefix("alder-fen-") for name in frame["speaker"]}


def test_upper_limits_of_the_filters_become_requirements_and_kinds_stay_filters(base):
    answer = base.shortlist(**ask(kind="standmount", height_max=200.0, price_max=1000.0))
    assert "bar" not in names(answer.rows) | names(answer.near_misses) | names(answer.too_far)
    assert set(answer.found.found.fails["what"]) >= {"height", "price"}
    assert answer.assumptions["height_max_mm"] == 200.0
    assert answer.assumptions["budget"] == 1000.0
    assert answer.assumptions["filters"] == "kind standmount"


def test_the_stricter_of_budget_and_price_limit_counts(base):
    answer = base.shortlist(**ask(budget=700.0, price_max=5000.0))
    assert answer.assumptions["budget"] == 700.0


def test_each_setting_stands_by_itself_where_asked(base):
    found = base.shortlist(**ask(level=60.0, kind="monitor", all_settings=True))
    told = [(r["speaker"], r["setting"]) for f in (found.rows, found.not_judged) for r in f.iter_rows(named=True)]
    assert sorted(setting for _, setting in told) == ["plain", "wall"]


def test_figures_belong_to_their_rows_whatever_the_filters_leave_out(base):
    everyone = base.shortlist(**ask(budget=1.0)).found.found
    alone = base.shortlist(**ask(budget=1.0, kind="monitor")).found.found
    told = {r["speaker"]: r for frame in (everyone.near_misses, everyone.too_far) for r in frame.iter_rows(named=True)}
    rows = [*alone.near_misses.iter_rows(named=True), *alone.too_far.iter_rows(named=True)]
    assert [row["speaker"] for row in rows] == ["alder-fen-switched"]
    for key in ("level_at_seat_db", "lf_extension_hz", "preference", "cost"):
        assert rows[0][key] == told["alder-fen-switched"][key]


def test_settings_are_compared_on_the_units_measured_in_both(tmp_path):
    write_speaker(tmp_path / "a", None, bass_hz=50.0, setting="plain", sample="1", default_setting=True)
    write_speaker(tmp_path / "b", None, bass_hz=90.0, setting="wall", sample="1")
    write_speaker(tmp_path / "c", None, bass_hz=30.0, setting="plain", sample="2", default_setting=True)
    write_speaker(tmp_path / "d", None, bass_hz=60.0, setting="desk", sample="3")
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        answer = base.settings("sill-5")
    changes = {c.setting: c for c in answer.changes}
    assert changes["wall"].units == (("shed", "1"),)
    f6 = changes["wall"].changes.filter(metric="f6_hz").row(0, named=True)
    assert f6["value"] / f6["reference"] == pytest.approx(90.0 / 50.0, rel=0.02)
    assert changes["desk"].units == ()
    assert any("desk was not measured on the same sample" in c for c in answer.cautions)


def test_a_setting_that_only_shifts_the_level_changes_no_shape(tmp_path):
    write_speaker(tmp_path / "a", None, setting="plain", default_setting=True)
    write_speaker(tmp_path / "b", None, setting="loud")
    path = tmp_path / "b" / "responses.csv"
    head, *rows = path.read_text().splitlines()
    shifted = [f"{row.rpartition(',')[0]},{float(row.rpartition(',')[2]) + 3.0:.2f}" for row in rows]
    path.write_text("\n".join([head, *shifted]))
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        base.work_out()
        (change,) = base.settings("sill-5").changes
    assert change.level_shift_db == pytest.approx(3.0, abs=0.01)
    np.testing.assert_allclose(change.difference_db["listening_window"], 3.0, atol=0.02)
    moved = change.changes.filter(matters="yes")["metric"].to_list()
    assert moved == ["reference_level_db"]


def test_sessions_of_one_setting_that_disagree_about_a_switch_leave_it_unknown(tmp_path):
    write_speaker(tmp_path / "a", None, setting="plain", switches={"shelf_db": 0})
    write_speaker(tmp_path / "b", None, bass_hz=51.0, setting="plain", repeat=2, switches={"shelf_db": 2})
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        answer = base.settings("sill-5")
    assert answer.switches == {"plain": {}}
    assert any("shelf_db as 0.0, 2.0" in c for c in answer.cautions)


def test_a_wall_inside_the_cabinet_is_refused(base):
    with pytest.raises(RequestError, match="250 mm deep"):
        base.settings("switched", wall=0.2)


def test_what_is_not_measured_low_enough_has_a_reason_at_the_wall(tmp_path):
    write_speaker(tmp_path / "a", None, setting="plain", valid_from_hz=80)
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        wall = base.settings("sill-5", wall=0.5).before_wall
    assert wall.best is None
    assert wall.reasons == {"plain": "its in-room curve is not known over all of 40–300 Hz"}


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.62, 0.62, "62 %"),
        (0.62, 1.0, "at least 62 %"),
        (0.0, 0.26, "at most 26 %"),
        (0.2, 0.8, "20 to 80 %"),
        (1.0, 1.0, "> 99 %"),
        (0.9999, 1.0, "> 99 %"),
        (0.0, 0.0, "< 1 %"),
        (0.0, 1.0, "can't be told"),
        (1e-9, 1.0, "can't be told"),
        (None, None, "–"),
    ],
)
def test_a_chance_in_words_claims_no_certainty(low, high, words):
    assert chance_text(low, high) == words


def test_the_nearer_to_the_limit_the_nearer_to_even_chances(base):
    level = base.shortlist(**ask())
    told = {r["speaker"]: r for f in (level.rows, level.near_misses, level.too_far) for r in f.iter_rows(named=True)}
    at_limit = ask(level=told["alder-fen-loud"]["level_at_seat_db"] - 0.01)
    row = base.shortlist(**at_limit).rows.filter(pl.col("speaker") == "alder-fen-loud")
    assert row["p_meets"].to_list() == pytest.approx([0.5], abs=0.1)
    assert told["alder-fen-loud"]["p_meets"] > 0.95


def test_chance_and_interval_hold_the_same_errors_and_are_about_a_unit_that_one_would_buy(base):
    first = base.shortlist(**ask(amplifier=50.0)).found
    told = {r["speaker"]: r for f in (first.found.rows, first.found.near_misses) for r in f.iter_rows(named=True)}
    for speaker in ("loud", "passive"):
        row = told[f"alder-fen-{speaker}"]
        again = base.shortlist(**ask(amplifier=50.0, level=row["level_low_db"])).rows
        assert again.filter(speaker=row["speaker"])["p_meets"].to_list() == pytest.approx([0.975], abs=1e-6)
        room_alone = 2.0 * 1.96 * 2.0  # dB, from the low to the high end
        assert row["level_high_db"] - row["level_low_db"] > 1.02 * room_alone  # units differ, and the time is assumed
    assert first.assumptions()["about"].startswith("a unit you would buy")
    said = " ".join(basis(first.question, first.seat, None))
    assert "a unit you would buy" in said
    assert "the assumed reverberation time" in said
    stated = base.shortlist(**ask(reverberation=0.4)).found
    assert "the assumed reverberation time" not in " ".join(basis(stated.question, stated.seat, None))


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"volume": 0.0}, "volume", "expected above 0 and at most 100"),
        ({"volume": None, "dimensions": "5x0x2.5"}, "dimensions", "expected length, width and height in metres"),
        ({"volume": None, "dimensions": "5x4"}, "dimensions", "expected length, width and height in metres"),
        ({"volume": None}, "volume", "either by its volume or by its dimensions"),
        ({"dimensions": "5x4x2.5"}, "volume", "either by its volume or by its dimensions"),
        ({"distance": 0.0}, "distance", "expected above 0.2 and at most 100"),
        ({"distance": -1.0}, "distance", "expected above 0.2"),
        ({"distance": float("nan")}, "distance", "nan is no number"),
        ({"level": 400.0}, "level", "expected above 30 and at most 140"),
        ({"budget": -1.0}, "budget", "expected above 0"),
        ({"amplifier": 0.0}, "amplifier", "expected above 0"),
        ({"programme": "loud"}, "programme", "is not one of dynamic, dense"),
        ({"kind": "toaster"}, "kind", "is not one of bookshelf"),
        ({"top": 0}, "top", "expected at least 1"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_beside_its_field(changes, field, words):
    with pytest.raises(AskError, match=re.escape(words)) as refused:
        Shortlist(**ask(**changes))
    assert refused.value.field == field


@pytest.mark.parametrize("corner_hz", [80.0, 110.0, 160.0])
def test_a_high_passed_copy_never_comes_before_its_original(tmp_path, corner_hz):
    """The same driver, box and sweeps with less bass: nothing in it makes it the better choice at any level."""
    write_speaker(tmp_path / "a", 104.0, bass_hz=45.0, model="Original", price=500)
    write_speaker(tmp_path / "b", 104.0, bass_hz=corner_hz, model="Copy", price=500)
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as one:
        one.ingest(tmp_path / "a", tmp_path / "b")
        one.work_out()
        for level in (80.0, 86.0, 90.0, 94.0, 98.0, 102.0):
            answer = one.shortlist(**ask(level=level))
            frames = (answer.rows, answer.near_misses, answer.too_far)
            order = [name for frame in frames for name in frame["speaker"]]
            assert order == ["alder-fen-original", "alder-fen-copy"], level
