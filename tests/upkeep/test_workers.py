"""Processes that work beside this one: what hangs is ended and tried once more."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from speakerdb.errors import StoreError
from speakerdb.upkeep.working_out import Workers


def squared(number: int) -> int:
    return number * number


def first_time(place: str) -> str:
    """Hangs or dies the first time it is asked, as the name of the file says."""
    mark = Path(place)
    if mark.suffix and not mark.exists():
        mark.touch()
        if mark.suffix == ".dies":
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(600)
    return mark.name


def hangs(_: int) -> None:
    time.sleep(600)


def test_results_come_in_the_order_of_the_tasks():
    with Workers(2) as workers:
        assert list(workers.map(squared, range(30))) == [n * n for n in range(30)]


@pytest.mark.parametrize("fault", ["hangs", "dies"])
def test_what_hangs_or_dies_is_tried_once_more(tmp_path, fault):
    tasks = [str(tmp_path / name) for name in ("a", f"b.{fault}", "c")]
    with Workers(2, patience_s=2.0, start_s=10.0) as workers:
        assert list(workers.map(first_time, tasks)) == ["a", f"b.{fault}", "c"]


def test_what_hangs_twice_is_told():
    with Workers(1, patience_s=0.2, start_s=5.0) as workers, pytest.raises(StoreError, match="cut short twice"):
        list(workers.map(hangs, [1]))
