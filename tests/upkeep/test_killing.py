"""Killed at random moments, the file opens and holds what was reported stored (the long run: tests/upkeep/killing.py)."""

from __future__ import annotations

import pytest

from tests.upkeep import killing


def test_a_few_kills_leave_a_sound_file(capsys):
    assert killing.main(5, seed=20261125) == 0
    assert "0 files with problems" in capsys.readouterr().out


@pytest.mark.slow
def test_two_hundred_kills_leave_a_sound_file():
    assert killing.main(200, seed=1) == 0
