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
    query, frame = store.run_query(name, {})
    assert frame.columns == [column for column, _ in query.columns]
    assert all(meaning for _, meaning in query.columns)
    assert all(p.meaning for p in query.parameters)


def test_a_parameter_is_data_and_never_sql(store):
    hostile = "x'; DROP TABLE session; --"
    _, frame = store.run_query("sessions", {"lab": hostile})
    assert len(frame) == 0
    assert fetch_one(store.con, "SELECT count(*) FROM session") == (1,)


def test_the_newest_session_is_listed_with_its_lab(store):
    _, frame = store.run_query("sessions", {"lab": "shed"})
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
