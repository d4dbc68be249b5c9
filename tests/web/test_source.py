"""When the file is open: shared by a burst of questions, let go when idle, never read half-written."""

from __future__ import annotations

import subprocess
import sys
import threading
import time

import pytest

import speakerdb
from speakerdb.errors import BusyError, RequestError, StoreError
from speakerdb.web.source import READERS, Source
from tests.folders import write_session


@pytest.fixture
def small(tmp_path):
    write_session(tmp_path / "one")
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path / "one")
    return tmp_path / "s.duckdb"


def other_process(path, keep_s=0.0):
    """Open the file for writing in another process; returns it once the file is held (or has been refused)."""
    code = (
        "import duckdb, sys, time\n"
        "try:\n con = duckdb.connect(sys.argv[1])\nexcept duckdb.IOException:\n print('refused', "
        "flush=True); sys.exit(1)\n"
        "print('held', flush=True); time.sleep(float(sys.argv[2]))"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(path), str(keep_s)], stdout=subprocess.PIPE, text=True)
    return process, process.stdout.readline().strip()


def test_the_file_is_held_while_there_are_questions_and_let_go_after(small):
    source = Source(small, idle_s=0.3)
    assert not source.is_open
    with source.read() as base:
        assert base.state.speakers == 1
        assert other_process(small)[1] == "refused"
    assert source.is_open
    deadline = time.monotonic() + 20
    while source.is_open and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not source.is_open
    assert other_process(small)[1] == "held"


def test_a_question_while_another_process_writes_is_told_so_and_works_afterwards(small):
    source = Source(small)
    process, word = other_process(small, keep_s=30)
    assert word == "held"
    with pytest.raises(BusyError, match="in use"), source.read():
        pass
    process.kill()
    process.wait()
    with source.read() as base:
        assert base.state.speakers == 1
    source.close()


def test_a_missing_file_is_told_in_words(tmp_path):
    with pytest.raises(StoreError, match="no database"), Source(tmp_path / "none.duckdb").read():
        pass


def test_only_so_many_questions_are_worked_on_at_once(small):
    source, inside, most = Source(small), 0, 0
    lock = threading.Lock()

    def ask():
        nonlocal inside, most
        with source.read():
            with lock:
                inside += 1
                most = max(most, inside)
            time.sleep(0.02)
            with lock:
                inside -= 1

    threads = [threading.Thread(target=ask) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == READERS
    source.close()


def test_what_was_read_of_the_field_outlives_an_idle_spell_but_not_a_change(small, tmp_path):
    source = Source(small, idle_s=0.05)
    with source.read() as base:
        first = base.field
    while source.is_open:
        time.sleep(0.02)
    with source.read() as base:
        assert base.field is first
        assert base.field.values("f6_hz")["value"].len() == 1
    while source.is_open:
        time.sleep(0.02)
    write_session(tmp_path / "two", model="Sill 9")
    with speakerdb.open(small, write=True) as base:
        base.ingest(tmp_path / "two")
    with source.read() as base:
        assert base.field is not first
        assert len(base.field.base) == 2
    source.close()


def test_readers_of_a_held_file_see_whole_states_only(small, tmp_path):
    source = Source(small, hold=True)
    write_session(tmp_path / "two", model="Sill 9")
    with source.read() as before:
        with source.writer() as base:
            base.ingest(tmp_path / "two")
        assert before.state.speakers == 1, "a question under way stays in the state in which it began"
    with source.read() as after:
        assert after.state.speakers == 2
    source.close()


def test_a_server_that_only_reads_refuses_to_write(small):
    with pytest.raises(RequestError, match="--allow-ingest"), Source(small).writer():
        pass
