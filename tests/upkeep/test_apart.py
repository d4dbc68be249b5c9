"""What strangers send is read in a process of its own: it may take only so much, and the server goes on."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from speakerdb.errors import DataError
from speakerdb.upkeep.apart import Bounds, read_apart, run_apart
from tests.folders import write_session

TIGHT = Bounds(processor_s=2, clock_s=4.0, memory_bytes=600_000_000)


def spins(_: Path) -> None:
    while True:
        pass


def sleeps(_: Path) -> None:
    time.sleep(60)


def fills(_: Path) -> None:
    held = []
    while True:
        held.append(b"x" * 50_000_000)


def leaves(_: Path) -> None:
    raise SystemExit(3)


@pytest.mark.parametrize(
    ("work", "told"), [(spins, "time"), (sleeps, "more time"), (fills, "600 MB"), (leaves, "processor time")]
)
def test_work_that_takes_too_much_ends_in_a_sentence(tmp_path, work, told):
    with pytest.raises(DataError, match=told):
        run_apart(work, tmp_path, TIGHT)


def test_what_is_sound_and_what_is_wrong_comes_back_whole(tmp_path):
    write_session(tmp_path / "up" / "good")
    bad = write_session(tmp_path / "up" / "bad", method="outdoors")
    found = dict(read_apart(tmp_path / "up"))
    assert found[tmp_path / "up" / "good"].info.model == "Sill 5"
    error = found[bad]
    assert isinstance(error, DataError)
    assert (error.items[0].key, error.asked) == ("method", False)


def test_no_session_at_all_is_told_as_ever(tmp_path):
    with pytest.raises(DataError, match="no session folder"):
        read_apart(tmp_path)
