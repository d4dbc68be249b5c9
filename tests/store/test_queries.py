"""Named queries: every file runs as its header says; parameters are bound, never pasted."""

from __future__ import annotations

import pytest

from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.store import Store, queries, writing
from speakerdb.store.connection import fetch_one
from tests.store.builders import axis, new_session, summary, values


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "speakers.duckdb", write=True) as store:
        with store.transaction():
            writing.insert_sessions(store.con, [new_session()], values(1), summary(1), axis(1))
        yield store


@pytest.mark.parametrize("name", list(queries.all_queries()))
def test_each_query_gives_the_columns_its_header_names(store, name):
    query, frame, left_out = store.run_query(name, {})
    assert frame.columns == [column for column, _ in query.columns]
    assert left_out.columns == ["reason", "speakers"]
    assert all(meaning for _, meaning in query.columns)
    assert all(p.meaning for p in query.parameters)


def test_a_parameter_is_data_and_never_sql(store):
    hostile = "x'; DROP TABLE session; --"
    _, frame, _ = store.run_query("sessions", {"lab": hostile})
    assert len(frame) == 0
    assert fetch_one(store.con, "SELECT count(*) FROM session") == (1,)


def test_the_newest_session_is_listed_with_its_lab(store):
    _, frame, _ = store.run_query("sessions", {"lab": "shed"})
    assert frame["speaker"].to_list() == ["alder-fen-sill-5"]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"limit": "many"}, "limit is 'many'; expected a integer"),
        ({"color": "red"}, "no parameter 'color'; it has kind, limit"),
    ],
)
def test_wrong_parameters_are_named(store, given, message):
    with pytest.raises(RequestError, match=message):
        store.run_query("bass_for_size", given)


def test_an_unknown_query_suggests_the_nearest(store):
    with pytest.raises(UnknownNameError, match="did you mean price_ladder"):
        store.run_query("price_lader", {})


MINE = "-- title: Mine\n-- parameter: kind text null | only this kind\n-- column: n | how many\n"


def test_a_query_of_the_users_own_runs_with_its_parameters_and_says_what_it_leaves_out(store, tmp_path):
    folder = tmp_path / "queries"
    folder.mkdir()
    (folder / "mine.sql").write_text(
        MINE + "SELECT count(*) AS n FROM speaker_facts WHERE $kind IS NULL OR kind = $kind\n"
        "-- left out\nSELECT 'another kind' AS reason, count(*) AS speakers FROM speaker_facts WHERE kind <> $kind\n"
    )
    query, frame, left_out = store.run_query("mine", {"kind": "no such kind"}, folder)
    assert query.own
    assert frame.rows() == [(0,)]
    assert left_out.rows() == [("another kind", 1)]
    assert queries.own_folder(store.path) == folder


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("DELETE FROM session", "one SELECT and nothing else"),
        ("SELECT 1 AS n; DROP TABLE session", "one SELECT and nothing else"),
        ("COPY session TO 'out.csv'", "one SELECT and nothing else"),
        ("ATTACH 'other.duckdb'", "one SELECT and nothing else"),
        ("SELECT FROM WHERE", "can't be read as a query"),
        ("SELECT count(*) AS n FROM read_text('/etc/hostname')", "reads this database alone"),
        ("SELECT count(*) AS n FROM 'https://localhost/x.csv'", "query mine"),
    ],
)
def test_a_query_that_does_more_than_read_the_database_is_refused_in_words(store, tmp_path, sql, message):
    (tmp_path / "mine.sql").write_text(MINE + sql)
    with pytest.raises(RequestError, match=message):
        store.run_query("mine", {}, tmp_path)
    assert fetch_one(store.con, "SELECT count(*) FROM session") == (1,)


def test_an_own_query_may_not_hide_a_shipped_one_nor_lack_its_header(store, tmp_path):
    (tmp_path / "sessions.sql").write_text(MINE + "SELECT 1 AS n")
    with pytest.raises(RequestError, match="a query of this name is shipped"):
        store.run_query("sessions", {}, tmp_path)
    (tmp_path / "sessions.sql").rename(tmp_path / "bare.sql").write_text("SELECT 1 AS n")
    with pytest.raises(RequestError, match="lacks a title or columns"):
        store.run_query("bare", {}, tmp_path)
