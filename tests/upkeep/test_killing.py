"""Killed at random moments, the file opens and holds what was reported stored (the long run:
tests/upkeep/killing.py)."""

from __future__ import annotations

import random

import pytest

from tests.upkeep import killing


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
