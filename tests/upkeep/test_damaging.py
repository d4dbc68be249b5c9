"""Damaged files are found, told in words and repaired; `python -m tests.upkeep.damaging` runs many."""

from __future__ import annotations

import errno
import shutil
import subprocess

import pytest

import speakerdb
from speakerdb.errors import StoreError
from speakerdb.store import connection
from speakerdb.upkeep import rebuilding
from tests.folders import write_session
from tests.upkeep import damaging


@pytest.mark.parametrize(("count", "seed"), [(2, 3), pytest.param(200, 1, marks=pytest.mark.slow)])
def test_damage_is_found_and_what_the_sources_hold_comes_back(count, seed):
    outcomes, faults = damaging.run(count, seed)
    assert faults == []
    assert sum(outcomes.values()) == count


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return damaging.build(tmp_path_factory.mktemp("sound"))


def test_a_sound_file_made_anew_is_the_same_file(sound, tmp_path):
    rebuilding.repair(sound, tmp_path / "again.duckdb")
    assert damaging.answers_of(tmp_path / "again.duckdb") == damaging.answers_of(sound)
    with speakerdb.open(sound) as a, speakerdb.open(tmp_path / "again.duckdb") as b:
        assert a.state == b.state


def test_a_repair_leaves_the_old_file_and_never_writes_over_another(sound, tmp_path):
    shutil.copy(sound, tmp_path / "a.duckdb")
    before = (tmp_path / "a.duckdb").read_bytes()
    (tmp_path / "b.duckdb").write_text("mine")
    with pytest.raises(StoreError, match="exists"):
        rebuilding.repair(tmp_path / "a.duckdb", tmp_path / "b.duckdb")
    rebuilding.repair(tmp_path / "a.duckdb", tmp_path / "c.duckdb")
    assert (tmp_path / "a.duckdb").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.duckdb", "b.duckdb", "c.duckdb"]


def test_withdrawn_sessions_earlier_names_and_lists_come_through_a_repair(tmp_path):
    path = tmp_path / "speakers.duckdb"
    with speakerdb.open(path, write=True) as base:
        (kept,) = base.ingest(write_session(tmp_path / "a"))
        (gone,) = base.ingest(write_session(tmp_path / "b", date="2026-03-02", bass_hz=44.0))
        base.withdraw(gone.session, "off axis")
        base.rename(kept.speaker, "the sill")
        base.work_out()
    rebuilding.repair(path, tmp_path / "again.duckdb")
    with speakerdb.open(tmp_path / "again.duckdb") as base:
        assert base.show("alder-fen-sill-5", exact=True).speaker == "the-sill"
        rows = base.store.con.execute("SELECT session, status, status_reason FROM session ORDER BY 1").fetchall()
    assert sorted(rows) == sorted([(kept.session, "active", None), (gone.session, "withdrawn", "off axis")])


@pytest.mark.parametrize("content", [b"", b"no database", b"\0" * 10_000])
def test_what_is_no_database_can_not_be_repaired(tmp_path, content):
    (tmp_path / "a.duckdb").write_bytes(content)
    with pytest.raises(StoreError):
        rebuilding.repair(tmp_path / "a.duckdb", tmp_path / "b.duckdb")
    assert not (tmp_path / "b.duckdb").exists()


def test_faults_of_the_disk_are_told_with_what_to_do():
    full = OSError(errno.ENOSPC, "No space left on device")
    assert "the disk is full" in str(connection.in_words(full))
    assert connection.in_words(KeyError("x")) is None


def test_a_full_disk_keeps_what_was_told_and_says_so(tmp_path):
    """On a file system of a megabyte of its own, where one can be made."""
    place = tmp_path / "small"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        for i in range(40):
            write_session(tmp_path / "in" / f"s{i:02d}", model=f"Sill {i}", bass_hz=30.0 + i)
        db = place / "speakers.duckdb"
        code, printed = damaging.run_command("ingest", str(tmp_path / "in"), "--db", str(db))
        assert code == 1
        assert "the disk is full" in printed
        assert "Traceback" not in printed
        subprocess.run(["mount", "-o", "remount,size=200m", str(place)], check=True)
        code, printed = damaging.run_command("ingest", str(tmp_path / "in"), "--db", str(db), "--no-intervals")
        assert code == 0, printed
        assert damaging.run_command("verify", "--db", str(db))[0] == 0
    finally:
        subprocess.run(["umount", str(place)], check=False)
