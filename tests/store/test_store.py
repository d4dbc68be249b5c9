"""The file: whole or nothing, safe to open, plain words when it can't be."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import duckdb
import numpy as np
import pytest

from speakerdb.errors import StoreError
from speakerdb.store import Store, migrations, reading, session_key, writing
from speakerdb.store.connection import fetch_one
from tests.store.builders import axis, info, new_session, summary, values


def put(store, *sessions):
    with store.transaction():
        return writing.insert_sessions(
            store.con, sessions, values(len(sessions)), summary(len(sessions)), axis(len(sessions))
        )


@pytest.fixture
def path(tmp_path):
    return tmp_path / "speakers.duckdb"


def test_a_session_comes_back_as_it_was_stored(path):
    new = new_session()
    with Store.open(path, write=True) as store:
        ids = put(store, new)
    with Store.open(path, write=False) as store:
        back = reading.grid_sessions(store.con, ids)[0]
    assert back.info == new.grid.info
    np.testing.assert_array_equal(back.level_db, new.grid.level_db)
    np.testing.assert_array_equal(back.angle_deg, new.grid.angle_deg)
    np.testing.assert_array_equal(back.horizontal, new.grid.horizontal)
    np.testing.assert_array_equal(back.compression.level_db, new.grid.compression.level_db)
    np.testing.assert_array_equal(back.impedance_ohm, new.grid.impedance_ohm)
    assert back.distortion is None


def test_values_keep_their_reasons(path):
    with Store.open(path, write=True) as store:
        put(store, new_session())
        active = reading.active_values(store.con)
    expected = values(1)
    np.testing.assert_array_equal(active.values.value, expected.value)
    assert active.values.reason == expected.reason


def test_source_files_come_back_byte_for_byte_with_their_hash(path):
    new = new_session()
    with Store.open(path, write=True) as store:
        ids = put(store, new)
        assert reading.source_files(store.con, ids[0]) == {"responses.csv": new.sources[0].content}


def test_an_error_inside_a_transaction_leaves_nothing(path):
    with Store.open(path, write=True) as store:
        before = store.state()
        with pytest.raises(ZeroDivisionError), store.transaction():
            writing.insert_sessions(store.con, [new_session()], values(1), summary(1), axis(1))
            raise ZeroDivisionError
        assert fetch_one(store.con, "SELECT count(*) FROM session") == (0,)
        assert fetch_one(store.con, "SELECT count(*) FROM curve") == (0,)
        assert store.state() == before


def test_the_state_does_not_depend_on_the_order_of_ingest_but_on_the_content(tmp_path):
    a, b, c = new_session("Sill 5", 1), new_session("Sill 8", 2), new_session("Sill 8", 3)
    states = []
    for i, group in enumerate([(a, b), (b, a), (a, c)]):
        with Store.open(tmp_path / f"{i}.duckdb", write=True) as store:
            for session in group:
                put(store, session)
            states.append(store.state().state)
    assert states[0] == states[1] != states[2]
    assert states[0] != states[2]


def test_the_session_id_is_the_hash_of_the_key_and_nothing_else():
    import hashlib

    expected = hashlib.sha256("\x1f".join(["shed", "alder-fen-sill-5", "0017", "plain", "2026-03-01", "1"]).encode())
    assert session_key(info()) == expected.hexdigest()[:10]
    assert session_key(info(notes="other")) == session_key(info())
    assert session_key(info(repeat=2)) != session_key(info())


def test_reading_a_missing_file_says_how_to_make_one(path):
    with pytest.raises(StoreError, match=r"no database at .*speakerdb ingest"):
        Store.open(path, write=False)
    assert not path.exists()


@pytest.mark.parametrize("content", [b"", b"frequency,level\n20,80\n", b"\x00" * 5000])
def test_a_file_that_is_no_database_is_refused_and_left_alone(path, content):
    path.write_bytes(content)
    for write in (False, True):
        with pytest.raises(StoreError, match="empty file|not a database of this program"):
            Store.open(path, write=write)
    assert path.read_bytes() == content


def test_a_damaged_file_is_refused_in_plain_words(path):
    with Store.open(path, write=True) as store:
        put(store, new_session())
    data = bytearray(path.read_bytes())
    data[4096 : len(data) // 2] = b"\xff" * (len(data) // 2 - 4096)
    path.write_bytes(data)
    with pytest.raises(StoreError, match=r"damaged or not a complete database"):
        Store.open(path, write=False)


def test_somebody_elses_database_is_refused(path):
    con = duckdb.connect(str(path))
    con.execute("CREATE TABLE invoices (amount DOUBLE)")
    con.close()
    for write in (False, True):
        with pytest.raises(StoreError, match="not one of this program: it holds the tables invoices"):
            Store.open(path, write=write)


def test_a_newer_file_is_refused_in_plain_words(path):
    with Store.open(path, write=True) as store:
        store.con.execute("INSERT INTO schema_version VALUES (9999, now()::TIMESTAMP, 'x')")
    for write in (False, True):
        with pytest.raises(StoreError, match="written by a newer speakerdb"):
            Store.open(path, write=write)


def test_an_older_file_names_the_upgrade_and_is_not_migrated_by_reading(path, monkeypatch):
    Store.open(path, write=True).close()
    newest = migrations.available()
    added = migrations.Migration(newest[-1].version + 1, "more", "CREATE TABLE more (x INTEGER);")
    monkeypatch.setattr(migrations, "available", lambda: (*newest, added))
    for write in (False, True):
        with pytest.raises(StoreError, match="speakerdb upgrade"):
            Store.open(path, write=write)
    con = duckdb.connect(str(path))
    assert fetch_one(con, "SELECT max(version) FROM schema_version") == (newest[-1].version,)
    con.close()


def test_a_migration_that_fails_changes_nothing(path):
    Store.open(path, write=True).close()
    con = duckdb.connect(str(path))
    bad = migrations.Migration(9998, "bad", "CREATE TABLE half (x INTEGER); SELECT * FROM no_such_table;")
    with pytest.raises(duckdb.Error):
        migrations.apply(con, migrations.newest_version(), (bad,))
    assert fetch_one(con, "SELECT count(*) FROM information_schema.tables WHERE table_name = 'half'") == (0,)
    con.close()


HOLD = textwrap.dedent("""
    import sys, pathlib
    from speakerdb.store import Store
    store = Store.open(pathlib.Path(sys.argv[1]), write=True)
    print("open", flush=True)
    sys.stdin.read()
""")


@pytest.mark.parametrize("write", [False, True])
def test_a_locked_file_names_the_process_that_holds_it(path, write):
    Store.open(path, write=True).close()
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert holder.stdout.readline() == b"open\n"
        with pytest.raises(StoreError, match=rf"in use by process {holder.pid}"):
            Store.open(path, write=write, wait_s=0.3)
    finally:
        holder.communicate()
    Store.open(path, write=write).close()


def test_a_writer_waits_for_the_lock(path):
    Store.open(path, write=True).close()
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    holder.stdout.readline()
    import threading

    threading.Timer(0.5, holder.communicate).start()
    Store.open(path, write=True, wait_s=10).close()


def test_several_readers_share_the_file(path):
    Store.open(path, write=True).close()
    with Store.open(path, write=False) as first, Store.open(path, write=False) as second:
        assert first.state() == second.state()


def test_reading_never_changes_the_file(path):
    with Store.open(path, write=True) as store:
        put(store, new_session())
    before = path.read_bytes()
    with Store.open(path, write=False) as store, pytest.raises(StoreError, match="reading only"), store.transaction():
        pass
    assert path.read_bytes() == before
