"""Who a session is: already stored, refused with what differs, replaced, doubled, withdrawn, renamed, merged."""

from __future__ import annotations

import gzip
import random

import polars as pl
import pytest

import speakerdb
from speakerdb.errors import ConflictError, DataError, RequestError
from tests.folders import write_fleet, write_session


@pytest.fixture
def base(tmp_path):
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        yield base


def count(base, table="session", where="status = 'active'"):
    return base.store.frame(f"SELECT count(*) AS n FROM {table} WHERE {where}")["n"][0]


def result_of(base, *folders, **options):
    (result,) = base.ingest(*folders, **options)
    return result


def test_the_same_folder_again_is_already_stored(base, tmp_path):
    folder = write_session(tmp_path / "a")
    assert result_of(base, folder).result == "stored"
    state = base.state
    assert result_of(base, folder).result == "already"
    assert base.state == state
    assert count(base) == 1


def test_gzip_and_row_order_do_not_make_another_session(base, tmp_path):
    folder = write_session(tmp_path / "a")
    base.ingest(folder)
    other = write_session(tmp_path / "b")
    head, *rows = (other / "responses.csv").read_text().splitlines()
    random.Random(1).shuffle(rows)
    (other / "responses.csv").unlink()
    (other / "responses.csv.gz").write_bytes(gzip.compress("\n".join([head, *rows]).encode()))
    assert result_of(base, other).result == "already"


def test_other_content_under_the_same_key_is_refused_with_what_differs(base, tmp_path):
    base.ingest(write_session(tmp_path / "a"))
    changed = result_of(base, write_session(tmp_path / "b", narrowing=1.5, distance_m=2.0))
    assert changed.result == "refused"
    text = str(changed.errors[0])
    assert "distance_m None → 2.0" in text
    assert "horizontal curves differ, by up to" in text
    assert "--replace" in text
    assert count(base) == 1


def test_replace_supersedes_and_keeps_the_old_one_out_of_every_statistic(base, tmp_path):
    base.ingest(write_session(tmp_path / "a", bass_hz=50))
    before = base.rank("f6_hz").rows["value"][0]
    replaced = result_of(base, write_session(tmp_path / "b", bass_hz=80), replace=True)
    assert replaced.result == "replaced"
    assert count(base) == 1
    assert count(base, where="status = 'superseded'") == 1
    after = base.rank("f6_hz").rows["value"]
    assert len(after) == 1
    assert after[0] == pytest.approx(before * 80 / 50, rel=0.01)


def test_the_same_curves_under_another_key_are_stored_warned_and_shown_by_verify(base, tmp_path):
    base.ingest(write_session(tmp_path / "a"))
    twin = result_of(base, write_session(tmp_path / "b", model="Sill 8"))
    _, second = base.ingest(
        write_session(tmp_path / "c", narrowing=2.0, model="C"), write_session(tmp_path / "d", narrowing=2.0, model="D")
    )
    assert "same curves" in second.warnings[0]
    assert twin.result == "stored"
    assert "same curves" in twin.warnings[0]
    assert any("same curves under different keys" in p for p in base.verify())


def test_names_that_differ_by_case_or_punctuation_are_one_speaker_others_a_clash(base, tmp_path):
    base.ingest(write_session(tmp_path / "a"))
    same = result_of(base, write_session(tmp_path / "b", maker="ALDER-FEN", model="Sill 5.", date="2026-03-02"))
    assert same.result == "stored"
    clash = result_of(base, write_session(tmp_path / "c", maker="Alder", model="Fen Sill 5", date="2026-03-03"))
    assert clash.result == "refused"
    assert "slug" in str(clash.errors[0])
    assert base.state.speakers == 1


def test_a_withdrawn_session_leaves_no_trace_in_answers_but_stays_in_the_file(base, tmp_path):
    first = result_of(base, write_session(tmp_path / "a", bass_hz=50))
    base.ingest(write_session(tmp_path / "b", bass_hz=80, date="2026-04-01"))
    both = base.rank("f6_hz").rows["value"][0]
    with pytest.raises(RequestError, match="reason"):
        base.withdraw(first.session, " ")
    base.withdraw(first.session[:6], "off axis")
    alone = base.rank("f6_hz").rows["value"][0]
    assert alone > both
    assert count(base, where="status = 'withdrawn' AND status_reason = 'off axis'") == 1
    with pytest.raises(ConflictError, match="withdrawn"):
        base.withdraw(first.session, "again")
    assert base.verify() == []


def test_renaming_keeps_the_old_name_and_later_folders_still_find_the_speaker(base, tmp_path):
    folder = write_session(tmp_path / "a")
    base.ingest(folder)
    assert base.rename("alder-fen-sill-5", "Sill Five") == ("alder-fen-sill-5", "sill-five")
    assert base.find("alder-fen-sill-5")[1] == "sill-five"
    assert result_of(base, folder).result == "already"
    base.ingest(write_session(tmp_path / "b", date="2026-05-01"))
    assert base.list()["speaker"].to_list() == ["sill-five"]
    assert base.list()["sessions"].to_list() == [2]


def test_merging_moves_sessions_and_refuses_clashing_keys(base, tmp_path):
    base.ingest(
        write_session(tmp_path / "a"), write_session(tmp_path / "b", model="Sill5", date="2026-03-02", bass_hz=51)
    )
    assert base.state.speakers == 2
    assert base.merge("alder-fen-sill-5", "alder-fen-sill5") == ("alder-fen-sill-5", "alder-fen-sill5", 1)
    assert base.state.speakers == 1
    assert base.find("alder-fen-sill5")[1] == "alder-fen-sill-5"
    base.ingest(write_session(tmp_path / "c", model="Other", bass_hz=52))
    with pytest.raises(ConflictError, match="same lab, sample"):
        base.merge("alder-fen-sill-5", "alder-fen-other")
    assert base.verify() == []


def test_the_newest_fact_wins_and_the_conflict_is_shown(base, tmp_path):
    base.ingest(write_session(tmp_path / "a", year=2019, mass_kg=7.0))
    base.ingest(write_session(tmp_path / "b", year=2020, mass_kg=7.0, date="2026-06-01"))
    facts = base.facts("sill-5")
    assert facts.values["year"] == 2020
    assert facts.values["mass_kg"] == 7.0
    assert len(facts.conflicts) == 1
    assert "year" in facts.conflicts[0]
    assert any("year" in p for p in base.verify())


PRICES = "speaker,name,value,currency,per,date\n"


def test_prices_are_per_pair_the_newest_wins_and_other_currencies_wait_for_a_rate(base, tmp_path):
    base.ingest(write_fleet(tmp_path / "in", 3))
    (tmp_path / "p.csv").write_text(
        PRICES + "sill-0,price_street,300,EUR,each,2025-01-01\nsill-0,price_street,250,EUR,each,2026-01-01\n"
        "sill-1,price_list,800,EUR,pair,2026-01-01\nsill-2,price_street,500,USD,pair,2026-01-01\n"
    )
    base.bring_facts(tmp_path / "p.csv")
    prices = dict(base.field.frame("EUR").select("speaker", "price").iter_rows())
    assert prices == {"alder-fen-sill-0": 500.0, "alder-fen-sill-1": 800.0, "alder-fen-sill-2": None}
    reason = base.field.frame("EUR").filter(pl.col("price").is_null())["price_reason"].to_list()
    assert reason == ["price in USD only: no rate to EUR"]
    with_rate = base.field.frame("EUR", rates={("USD", "EUR"): 0.8})
    assert with_rate.filter(pl.col("speaker") == "alder-fen-sill-2")["price"].to_list() == [400.0]
    assert base.field.frame("EUR", "sale")["price"].null_count() == 3


def test_a_facts_file_goes_in_whole_or_not_at_all_with_every_wrong_row_named(base, tmp_path):
    base.ingest(write_session(tmp_path / "a"))
    (tmp_path / "f.csv").write_text(
        PRICES + "sill-5,mass_kg,7.5,,,2026-01-01\nnobody,mass_kg,7,,,\nsill-5,colour,red,,,\nsill-5,mass_kg,-1,,,\n"
        "sill-5,price_street,100,EU,pair,\nsill-5,year,1800,,,\nsill-5,height_mm,300,,,31.12.2025\n"
    )
    state = base.state
    with pytest.raises(DataError) as stop:
        base.bring_facts(tmp_path / "f.csv")
    assert [i.line for i in stop.value.items] == [3, 4, 5, 6, 7, 8]
    assert base.state == state
    assert base.facts("sill-5").values["mass_kg"] is None


def test_the_default_setting_is_the_marked_one_else_the_earliest(base, tmp_path):
    base.ingest(write_session(tmp_path / "a", setting="wall", date="2026-03-02"))
    base.ingest(write_session(tmp_path / "b", setting="plain", date="2026-03-01", bass_hz=60))
    assert base.setting("sill-5") == "plain"
    base.ingest(write_session(tmp_path / "c", setting="desk", date="2026-03-03", bass_hz=70, default_setting=True))
    assert base.setting("sill-5") == "desk"
    assert len(base.rank("f6_hz").rows) == 1


def test_a_withdrawn_session_stays_withdrawn_until_it_is_let_count_again_or_replaced(base, tmp_path):
    folder = write_session(tmp_path / "a")
    session = result_of(base, folder).session
    base.withdraw(session, "the microphone was off axis")
    again = result_of(base, folder)
    assert (again.result, count(base)) == ("withdrawn", 0)
    text = str(again.errors[0])
    assert "the microphone was off axis" in text
    assert f"withdraw --undo {session}" in text
    assert "withdrawn on 20" in text
    assert base.undo_withdrawal(session) == (session, "alder-fen-sill-5")
    assert result_of(base, folder).result == "already"
    with pytest.raises(ConflictError, match="was not withdrawn"):
        base.undo_withdrawal(session)
    base.withdraw(session, "again")
    assert result_of(base, folder, replace=True).result == "stored"
    with pytest.raises(ConflictError, match="it is active"):
        base.undo_withdrawal(session)


def test_a_session_that_was_withdrawn_can_not_count_beside_its_successor(base, tmp_path):
    folder = write_session(tmp_path / "a")
    session = result_of(base, folder).session
    base.withdraw(session, "x")
    base.ingest(folder, replace=True)
    base.withdraw(session, "y")
    base.undo_withdrawal(session)  # the newest of that id
    assert count(base) == 1


@pytest.mark.parametrize(
    ("key", "first", "second"),
    [
        ("lab", "shed", "Shed"),
        ("sample", "0017", "17"),
        ("setting", "bass -2", "Bass  -2"),
        ("lab", "shed 1", "Shed-1"),
    ],
)
def test_names_that_differ_in_writing_only_are_one(base, tmp_path, key, first, second):
    base.ingest(write_session(tmp_path / "a", **{key: first}))
    other = result_of(base, write_session(tmp_path / "b", **{key: second}))
    assert other.result == "already"
    assert f"{key} {second!r} is {first!r} in the file already" in other.warnings[0]
    assert count(base, "lab", "true") == 1


@pytest.mark.parametrize(
    ("key", "first", "second"),
    [("setting", "bass -2", "bass 2"), ("setting", "bass -2", "bass +2"), ("sample", "17", "170"), ("lab", "a", "b")],
)
def test_names_that_mean_something_else_are_two(base, tmp_path, key, first, second):
    base.ingest(write_session(tmp_path / "a", **{key: first}))
    assert result_of(base, write_session(tmp_path / "b", bass_hz=40.0, **{key: second})).result == "stored"
    assert count(base) == 2


def test_names_are_one_within_one_ingest_too(base, tmp_path):
    write_session(tmp_path / "in" / "a", lab="Shed")
    write_session(tmp_path / "in" / "b", lab="shed", date="2026-03-02", bass_hz=44.0)
    assert [r.result for r in base.ingest(tmp_path / "in")] == ["stored", "stored"]
    assert count(base, "lab", "true") == 1
