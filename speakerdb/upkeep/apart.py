"""Reading what strangers send in a process of its own, within limits: whatever is in it, the server goes on."""

from __future__ import annotations

import contextlib
import os
import pickle
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speakerdb.errors import DataError, SpeakerdbError
from speakerdb.store import NewSession

_READY = b"ready\n"
_START_S = 60.0  # for the process to begin
Read = list[tuple[Path, NewSession | DataError]]


@dataclass(frozen=True)
class Bounds:
    """What reading one upload may take: processor time, time by the clock, memory; looked at so often."""

    processor_s: int = 10
    clock_s: float = 20.0
    memory_bytes: int = 1_000_000_000
    look_s: float = 0.05


BOUNDS = Bounds()
_SLOTS = threading.BoundedSemaphore(2)  # uploads that are read at the same time


def read_apart(folder: Path, bounds: Bounds = BOUNDS) -> Read:
    """Every session below a folder, read as far as the analysis grid, or what is wrong with it.

    Raises DataError where there is none, and where reading took more than the bounds: nothing of it counts then.
    """
    with _SLOTS:
        found: Read = run_apart(_read, folder, bounds)
        return found


def run_apart(work: Callable[[Path], object], folder: Path, bounds: Bounds = BOUNDS) -> Any:
    """What a process of its own makes of a folder. Raises what the work raises of this program's errors, and DataError
    where it takes too much or ends without an answer."""
    child = subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    try:
        outcome = _wait(child, pickle.dumps((work, folder, bounds.processor_s)), bounds)
    finally:
        child.kill()
        child.wait()
    if isinstance(outcome, SpeakerdbError):
        raise outcome
    return outcome


class _Talk(threading.Thread):
    """Tells a process its task and hears its answer: that it is ready, then the outcome."""

    def __init__(self, child: subprocess.Popen[bytes], task: bytes) -> None:
        super().__init__(daemon=True)
        self.ready, self.done = threading.Event(), threading.Event()
        self.answer = b""
        self._child, self._task = child, task

    def run(self) -> None:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        with contextlib.suppress(OSError, ValueError):
            self._child.stdin.write(self._task)
            self._child.stdin.close()
            if self._child.stdout.readline() == _READY:
                self.ready.set()
            self.answer = self._child.stdout.read()
        self.done.set()


def _wait(child: subprocess.Popen[bytes], task: bytes, bounds: Bounds) -> object:
    talk = _Talk(child, task)
    talk.start()
    ends: float | None = None
    begun = time.monotonic()
    while not talk.done.wait(bounds.look_s):
        if ends is None and talk.ready.is_set():
            ends = time.monotonic() + bounds.clock_s
        if time.monotonic() > (begun + _START_S if ends is None else ends):
            return _too_much("more time than is given")
        if _memory_bytes(child.pid) > bounds.memory_bytes:
            return _too_much(f"more than {bounds.memory_bytes // 10**6} MB of memory")
    return pickle.loads(talk.answer) if talk.answer else _too_much("more processor time than is given")


def _too_much(what: str) -> DataError:
    return DataError(f"reading the upload took {what}; nothing was stored. Send fewer or plainer files")


def _memory_bytes(process: int) -> int:
    """What a process holds in memory; 0 where that can't be told."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return 0


def _main() -> None:
    """The process itself: a task comes in, an outcome goes out; what is printed meanwhile goes to the errors."""
    with os.fdopen(os.dup(1), "wb") as out:
        os.dup2(2, 1)
        work, folder, processor_s = pickle.loads(sys.stdin.buffer.read())
        import speakerdb.upkeep.ingest  # noqa: F401  what starting takes is not the upload's

        used = resource.getrusage(resource.RUSAGE_SELF)
        most = int(used.ru_utime + used.ru_stime) + 1 + processor_s
        resource.setrlimit(resource.RLIMIT_CPU, (most, most))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        out.write(_READY)
        out.flush()
        try:
            outcome: object = work(folder)
        except SpeakerdbError as error:
            outcome = error
        out.write(pickle.dumps(outcome))


def _read(folder: Path) -> Read:
    from speakerdb.upkeep.ingest import find_tasks, read_as_new

    tasks, sheet = find_tasks([folder])
    found: Read = []
    for place, root in tasks:
        try:
            found.append((place, read_as_new(place, root, sheet)))
        except DataError as error:
            found.append((place, error))
    return found


if __name__ == "__main__":
    _main()
