"""Reading what strangers send in a process of its own, within limits: whatever is in it, the server goes on."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from speakerdb.errors import DataError, SpeakerdbError
from speakerdb.store import NewSession

_READY = "ready"
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
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(work, folder, bounds.processor_s, there), daemon=True)
    child.start()
    there.close()
    try:
        outcome = _wait(child.pid or 0, here, bounds)
    finally:
        child.kill()
        child.join()
        here.close()
    if isinstance(outcome, SpeakerdbError):
        raise outcome
    return outcome


def _wait(process: int, pipe: Connection, bounds: Bounds) -> object:
    ends = time.monotonic() + _START_S
    while True:
        if pipe.poll(bounds.look_s):
            try:
                said = pipe.recv()
            except EOFError:
                return _too_much("more processor time than is given")
            if said != _READY:
                return said
            ends = time.monotonic() + bounds.clock_s
        if time.monotonic() > ends:
            return _too_much("more time than is given")
        if _memory_bytes(process) > bounds.memory_bytes:
            return _too_much(f"more than {bounds.memory_bytes // 10**6} MB of memory")


def _too_much(what: str) -> DataError:
    return DataError(f"reading the upload took {what}; nothing was stored. Send fewer or plainer files")


def _memory_bytes(process: int) -> int:
    """What a process holds in memory; 0 where that can't be told."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return 0


def _child(work: Callable[[Path], object], folder: Path, processor_s: int, pipe: Connection) -> None:
    import speakerdb.upkeep.ingest  # noqa: F401  what starting takes is not the upload's

    used = resource.getrusage(resource.RUSAGE_SELF)
    most = int(used.ru_utime + used.ru_stime) + 1 + processor_s
    resource.setrlimit(resource.RLIMIT_CPU, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    pipe.send(_READY)
    try:
        outcome: object = work(folder)
    except SpeakerdbError as error:
        outcome = error
    pipe.send(outcome)
    pipe.close()


def _read(folder: Path) -> Read:
    from speakerdb.upkeep.ingest import find_tasks, prepare

    tasks, sheet = find_tasks([folder])
    found: Read = []
    for place, root in tasks:
        try:
            found.append((place, prepare(place, root, sheet)))
        except DataError as error:
            found.append((place, error))
    return found
