"""Work that may take longer than a page should: begun once, waited for a little, picked up later."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar, cast

T = TypeVar("T")
PATIENCE_S = 2.0  # so long a page waits for its answer before it says that it is being worked out
KEPT_S = 60.0  # so long a finished answer waits for whoever was told to come back
AT_ONCE = 8
SOON_S, LATE_S = 0.6, 10.0  # whoever comes back does so no earlier, no later


@dataclass
class _Job:
    work: Future[Any]
    awaited: bool = False  # somebody was told to come back for it
    ended: float | None = None


class Jobs:
    """Jobs by name; a job asked for while it runs is not begun a second time."""

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self._patience_s = patience_s
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="page")
        self._jobs: dict[Hashable, _Job] = {}
        self._lock = threading.Lock()
        self._spent_s = SOON_S  # from the end of one job to that of the next, of late
        self._last_end = 0.0

    def wait_s(self) -> float:
        """When to come back for what is being worked out, by what is waiting before it."""
        with self._lock:
            waiting = sum(job.ended is None for job in self._jobs.values())
        return min(max(waiting * self._spent_s, SOON_S), LATE_S)

    async def result(self, name: Hashable, work: Callable[[], T]) -> T | None:
        """What the job gives, or None where it takes longer than the patience lasts. Raises what the job raises."""
        with self._lock:
            self._clear()
            job = self._jobs.get(name)
            begun = job is None
            if job is None:
                job = self._jobs[name] = _Job(self._pool.submit(work))
            elif job.ended is not None:
                del self._jobs[name]  # picked up
        if begun:
            job.work.add_done_callback(lambda _: self._end(name, job))
        here = asyncio.wrap_future(job.work)
        here.add_done_callback(lambda done: done.cancelled() or done.exception())  # perhaps nobody waits any more
        await asyncio.wait({here}, timeout=self._patience_s)
        with self._lock:
            if not job.work.done():
                job.awaited = True
                return None
        return cast("T", job.work.result())

    def _end(self, name: Hashable, job: _Job) -> None:
        with self._lock:
            job.ended = time.monotonic()
            self._spent_s += (min(job.ended - self._last_end, SOON_S) - self._spent_s) / 8
            self._last_end = job.ended
            if not job.awaited and self._jobs.get(name) is job:
                del self._jobs[name]

    def _clear(self) -> None:
        late = time.monotonic() - KEPT_S
        for name in [n for n, job in self._jobs.items() if job.ended is not None and job.ended < late]:
            del self._jobs[name]

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)
