"""Work that takes long is begun once, waited for a little, and picked up later."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from speakerdb.web.jobs import Jobs


def result(jobs, name, work):
    """Asked in a thread of its own: the browser of other tests keeps an event loop in this one."""
    with ThreadPoolExecutor(1) as apart:
        return apart.submit(asyncio.run, jobs.result(name, work)).result()


def test_quick_work_is_given_at_once_and_begun_anew_the_next_time():
    jobs, begun = Jobs(30.0), []
    for i in range(3):
        assert result(jobs, "page", lambda i=i: begun.append(i) or i) == i
    assert begun == [0, 1, 2]


def test_slow_work_is_begun_once_however_often_it_is_asked_for():
    jobs, begun, go = Jobs(0.02), [], threading.Event()

    def slow():
        begun.append(1)
        go.wait(30)
        return "there"

    assert result(jobs, "page", slow) is None
    assert result(jobs, "page", slow) is None
    go.set()
    found = None
    while found is None:
        found = result(jobs, "page", slow)
    assert found == "there"
    assert begun == [1]


def test_what_the_work_raises_reaches_whoever_waits():
    def broken():
        raise TimeoutError("its own")

    with pytest.raises(TimeoutError, match="its own"):
        result(Jobs(30.0), "page", broken)
