"""Working out how sure stored values are: draws of the error model for every session that has none, on all cores."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from speakerdb import derive
from speakerdb.derive.pooling import NOISE
from speakerdb.errors import StoreError
from speakerdb.field import error_models
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession
from speakerdb.statistics.error_model import ErrorModel
from speakerdb.store import Store, reading, session_rows, writing
from speakerdb.terms import ALGEBRA_THREADS
from speakerdb.upkeep import repooling

T = TypeVar("T")
R = TypeVar("R")
BATCH_SESSIONS = 24
HANG_S = 20.0  # for a session, after the one before it
START_S = 60.0  # for the processes to begin
_INLINE_BELOW = 12  # sessions for which starting other processes would take longer than the work


def pending(store: Store) -> list[int]:
    """Sessions that count and whose uncertainty has not been worked out under the error model that counts."""
    return session_rows.pending(store.con, error_models.current(store).seed)


def work_out(
    store: Store, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
) -> int:
    """Draws and intervals for every session that lacks them; returns how many. Each batch is committed whole, so that
    an interrupted run goes on where it stopped."""
    ids = pending(store)
    begin(len(ids))
    work_out_again(store, ids, advance)
    return len(ids)


def work_out_again(store: Store, ids: Sequence[int], advance: Callable[[int], None] = lambda _: None) -> None:
    """Draws and intervals of these sessions, whether they have some or not."""
    if not ids:
        return
    cores = os.cpu_count() or 1
    if cores > 1 and len(ids) >= _INLINE_BELOW:
        with _one_thread_each(), Workers(cores) as workers:
            _in_batches(store, ids, lambda tasks: workers.map(_one, tasks), advance)
    else:
        _in_batches(store, ids, lambda tasks: map(_one, tasks), advance)


class Workers:
    """Processes that work beside this one. One that hangs is ended with the others, and what was left is tried once
    more. Use as a context manager."""

    def __init__(self, count: int, patience_s: float = HANG_S, start_s: float = START_S) -> None:
        """patience_s: so long a task may take after the one before it; start_s: the first one, besides."""
        self._count, self._patience_s, self._start_s = count, patience_s, start_s
        self._pool = self._start()

    def _start(self) -> ProcessPoolExecutor:
        # spawn: a forked child would inherit the open database
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._count, mp_context=context, initializer=_end_with_parent)

    def map(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[R]:
        """The result of each task, in their order. Raises StoreError where the work hung or ended twice."""
        done = 0
        for is_last in (False, True):
            futures = [self._pool.submit(work, task) for task in tasks[done:]]
            try:
                for number, future in enumerate(futures):
                    yield future.result(self._patience_s + (0 if number else self._start_s))
                    done += 1
            except (NotYet, BrokenProcessPool):
                self._end()
                if is_last:
                    raise StoreError(
                        "working out was cut short twice: what does it hung or was ended (out of memory?). What was "
                        "done is kept; run `speakerdb derive` to go on"
                    ) from None
                self._pool = self._start()
            else:
                return

    def _end(self) -> None:
        for process in list(self._pool._processes.values()):
            process.kill()
        self._pool.shutdown(cancel_futures=True)

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        self._pool.shutdown(cancel_futures=kind is not None)


def _end_with_parent() -> None:
    """In a worker: leave when the parent is gone, which a parent that was killed can't ask for any more."""

    def watch() -> None:
        parent = multiprocessing.parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes started within use one thread for linear algebra: as many as there are cores would get in each other's
    way."""
    before = {name: os.environ.get(name) for name in ALGEBRA_THREADS}
    os.environ.update(dict.fromkeys(ALGEBRA_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


Task = tuple[GridSession, str, NDArray[np.float64], NDArray[np.int8], NDArray[np.float64], ErrorModel]


def _one(task: Task) -> derive.SessionUncertainty:
    """One session's uncertainty, intervals open where its values are bounds."""
    session, content_hash, value, censored, upper, model = task
    found = derive.session_uncertainty(session, content_hash, tuple(METRICS), value, model, upper)
    return replace(found, columns=derive.open_ends(found.columns, censored))


def _in_batches(
    store: Store,
    ids: Sequence[int],
    run: Callable[[list[Task]], Iterator[derive.SessionUncertainty]],
    advance: Callable[[int], None],
) -> None:
    model = error_models.current(store)
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = list(ids[start : start + BATCH_SESSIONS])
        results = []
        for result in run(_tasks(store, batch, model)):
            results.append(result)
            advance(1)
        columns = {name: np.stack([r.columns[name] for r in results]) for name in results[0].columns}
        with store.transaction():
            writing.replace_uncertainty(
                store.con,
                batch,
                list(METRICS),
                columns,
                np.stack([r.own for r in results]),
                np.stack([r.bench for r in results]),
                model.seed,
            )
            writing.replace_noise(store.con, batch, _noise(results))
            repooling.repool(store, session_rows.speakers_of(store.con, batch))


def _noise(results: Sequence[derive.SessionUncertainty]) -> dict[str, NDArray[np.float32]]:
    """part -> (S, 199), NaN rows where a session has none of it."""
    none = np.full(199, np.nan, np.float32)
    names = dict.fromkeys(name for r in results for name in r.noise)
    return {f"{NOISE}{name}": np.stack([r.noise.get(name, none) for r in results]) for name in names}


def _tasks(store: Store, batch: list[int], model: ErrorModel) -> list[Task]:
    hashes = session_rows.content_hashes(store.con, batch)
    grids = error_models.aligned(reading.grid_sessions(store.con, batch), model)
    value, censored, upper = reading.session_values(store.con, batch, tuple(METRICS))
    return [
        (grid, hashes[i], value[k], censored[k], upper[k], model)
        for k, (i, grid) in enumerate(zip(batch, grids, strict=True))
    ]
