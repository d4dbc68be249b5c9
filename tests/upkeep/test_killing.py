"""Killed at random moments, the file opens and holds what was reported stored (the long run:
tests/upkeep/killing.py)."""

from __future__ import annotations

import random
import subprocess
import sys

import pytest

import speakerdb
from tests.folders import write_session
from tests.upkeep import damaging, killing


@pytest.fixture(scope="module")
def kills(tmp_path_factory):
    return killing.Kills(tmp_path_factory.mktemp("kills"))


@pytest.mark.parametrize("job", killing.JOBS)
def test_a_kill_leaves_a_sound_file(kills, job):
    problems, _ = kills.kill(job, random.Random(f"20261125 {job}"))
    assert problems == []


@pytest.mark.slow
def test_two_hundred_kills_leave_a_sound_file():
    assert killing.main(200, seed=1) == 0


def test_after_a_crash_the_next_command_says_what_was_being_done(tmp_path):
    write_session(tmp_path / "a")
    db = tmp_path / "speakers.duckdb"
    with speakerdb.open(db, write=True) as base:
        base.ingest(tmp_path / "a")
    lines = "import sys, time; from speakerdb.cli import common; from pathlib import Path; sys.argv = ['x', 'derive']"
    code = (
        f"{lines}; b = common.open_database(Path({str(db)!r}), write=True); print('open', flush=True); time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=killing.ROOT)
    assert child.stdout is not None
    child.stdout.readline()
    child.kill()
    child.wait()
    code, printed = damaging.run_command("list", "--db", str(db))
    assert code == 0
    assert "`speakerdb derive`, begun" in printed
    assert "did not end" in printed
    damaging.run_command("derive", "--db", str(db))
    assert "did not end" not in damaging.run_command("list", "--db", str(db))[1]
