"""A database file that comes from a stranger shows nothing of the machine and is told for what it is."""

from __future__ import annotations

import duckdb
import pytest

import speakerdb
from speakerdb.errors import StoreError
from speakerdb.resources import resource_dir
from speakerdb.store import file_tables, views
from speakerdb.upkeep import rebuilding
from tests.folders import write_session


@pytest.fixture
def path(tmp_path):
    target = tmp_path / "speakers.duckdb"
    with speakerdb.open(target, write=True) as base:
        base.ingest(write_session(tmp_path / "a"))
        base.work_out()
    (tmp_path / "secret.csv").write_text("word\nhush\n")
    return target


def change(path, sql):
    with duckdb.connect(str(path)) as con:
        con.execute(sql.replace("SECRET", str(path.parent / "secret.csv")))


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("CREATE OR REPLACE VIEW current_fact AS SELECT * FROM read_csv('SECRET')", "view current_fact (changed)"),
        (
            "CREATE OR REPLACE VIEW speaker_facts AS SELECT 1 AS speaker_id, content AS x FROM read_text('SECRET')",
            "view speaker_facts (changed)",
        ),
        ("CREATE VIEW other AS SELECT * FROM read_text('SECRET')", "view other"),
        ("CREATE SCHEMA elsewhere", "schema elsewhere"),
    ],
)
def test_a_file_with_other_views_is_not_opened_and_they_are_named(path, sql, named):
    change(path, sql)
    for write in (False, True):
        with pytest.raises(StoreError) as caught:
            speakerdb.open(path, write=write)
        assert named in caught.value.message
        assert "hush" not in caught.value.message
    rebuilding.repair(path, path.with_name("again.duckdb"))
    with speakerdb.open(path.with_name("again.duckdb")) as base:
        assert list(base.list()["speaker"]) == ["alder-fen-sill-5"]


def test_functions_in_a_file_are_named_by_verify(path):
    change(path, "CREATE MACRO twice(x) AS 2 * x")
    with speakerdb.open(path) as base:
        assert any("function twice" in p for p in base.verify())


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT * FROM read_csv('SECRET')",
        "SELECT * FROM read_text('SECRET')",
        "SELECT * FROM glob('/etc/*')",
        "COPY session TO '/tmp/x.csv'",
        "ATTACH '/tmp/y.duckdb' AS y",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET lock_configuration = false",
    ],
)
def test_no_statement_reaches_beyond_the_file(path, sql):
    with speakerdb.open(path) as base, pytest.raises(duckdb.Error):
        base.store.con.execute(sql.replace("SECRET", str(path.parent / "secret.csv"))).fetchall()


def test_a_reader_has_the_views_of_the_program_too(path):
    with speakerdb.open(path) as base, base.store.reader() as reader:
        rows = reader.con.execute("SELECT view_name FROM duckdb_views() WHERE temporary AND NOT internal").fetchall()
        assert {name for (name,) in rows} == set(views.definitions())


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("CREATE TABLE stuff (a INTEGER)", "table stuff"),
        ("ALTER TABLE metric_value ALTER value TYPE VARCHAR", "table metric_value (other columns)"),
        ("ALTER TABLE own_draw ADD COLUMN word VARCHAR", "table own_draw (other columns)"),
        ("ALTER TABLE db_state ADD COLUMN word VARCHAR", "table db_state (other columns)"),
        ("DROP TABLE listening_axis", "table listening_axis (missing)"),
    ],
)
def test_a_file_with_other_tables_is_not_opened_and_they_are_named(path, sql, named):
    change(path, sql)
    with pytest.raises(StoreError) as caught:
        speakerdb.open(path)
    assert named in caught.value.message


def test_a_file_without_one_of_its_tables_can_be_repaired(path):
    change(path, "DROP TABLE listening_axis")
    rebuilding.repair(path, path.with_name("again.duckdb"))
    with speakerdb.open(path.with_name("again.duckdb")) as base:
        assert list(base.list()["speaker"]) == ["alder-fen-sill-5"]
        assert base.verify() == []


def test_the_tables_told_are_those_that_the_migrations_make():
    told = (resource_dir("schemas") / "tables.json").read_text(encoding="utf-8")
    assert told == file_tables.text(), "run `python -m speakerdb.store.file_tables`"


@pytest.mark.parametrize(
    ("sql", "named"),
    [
        ("UPDATE speaker SET model = repeat('x', 20000000)", "speakers whose name has more than 200 characters: 1"),
        (
            "INSERT INTO speaker SELECT s.* REPLACE (s.speaker_id + 1 + i AS speaker_id, s.slug || i AS slug) "
            "FROM speaker s, range(300000) t(i)",
            "speakers without a session: 300 000",
        ),
    ],
)
def test_absurd_sizes_are_named_by_verify(path, sql, named):
    change(path, sql)
    with speakerdb.open(path) as base:
        assert named in [p.replace("\u202f", " ") for p in base.verify()]


def test_the_views_are_those_of_the_migrations(path):
    assert set(views.definitions()) == {"current_fact", "speaker_facts", "current_price"}
    with speakerdb.open(path) as base:
        assert views.foreign(base.store.con) == []
