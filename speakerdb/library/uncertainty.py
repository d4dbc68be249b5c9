"""Working out how sure stored values are: draws of the error model for every session that has none, on all cores."""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import derive
from speakerdb.dictionary import CENSORED, METRICS, ValueTable
from speakerdb.library import pooling
from speakerdb.library.lab_errors import with_lab_errors
from speakerdb.library.pooling import NOISE
from speakerdb.session import GridSession
from speakerdb.statistics.error_model import MODEL_VERSION
from speakerdb.statistics.intervals import encode
from speakerdb.store import Store, reading, writing

BATCH_SESSIONS = 24
_INLINE_BELOW = 12  # sessions for which starting other processes would take longer than the work

Columns = dict[str, NDArray[np.float64]]


def pending(store: Store) -> list[int]:
    """Sessions that count and have no draws of this error model yet."""
    rows = store.con.execute(
        "SELECT session_id FROM session WHERE status = 'active' AND error_model IS DISTINCT FROM ? ORDER BY 1",
        [MODEL_VERSION],
    ).fetchall()
    return [int(r[0]) for r in rows]


def work_out(
    store: Store, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
) -> int:
    """Draws and intervals for every session that lacks them; returns how many. Each batch is committed whole, so that an
    interrupted run goes on where it stopped."""
    ids = pending(store)
    begin(len(ids))
    if not ids:
        return 0
    cores = os.cpu_count() or 1
    if cores > 1 and len(ids) >= _INLINE_BELOW:
        with _one_thread_each(), _workers(cores) as pool:
            _in_batches(store, ids, lambda tasks: pool.map(_one, tasks), advance)
    else:
        _in_batches(store, ids, lambda tasks: map(_one, tasks), advance)
    return len(ids)


def _workers(count: int) -> ProcessPoolExecutor:
    # spawn: a forked child would inherit the open database
    return ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent)


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
    """Processes started within use one thread for linear algebra: as many as there are cores would get in each other's way."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


Task = tuple[GridSession, str, NDArray[np.float64], NDArray[np.int8]]


Result = tuple[Columns, NDArray[np.int8], dict[str, NDArray[np.float32]]]


def _one(task: Task) -> Result:
    """One session's columns (M,), draws (M, B) and noise curves (199,)."""
    session, content_hash, value, censored = task
    found = derive.session_uncertainty(session, content_hash, tuple(METRICS), value)
    u = found.uncertain
    columns = {
        "corrected": u.corrected,
        "se": u.se,
        "low": u.low,
        "high": u.high,
        "se_calibration": found.se_calibration,
    }
    columns["low"] = np.where(censored == CENSORED.index("at_most"), np.nan, u.low)
    columns["high"] = np.where(censored == CENSORED.index("at_least"), np.nan, u.high)
    return columns, encode(u), found.noise


def _in_batches(
    store: Store,
    ids: Sequence[int],
    run: Callable[[list[Task]], Iterator[Result]],
    advance: Callable[[int], None],
) -> None:
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = list(ids[start : start + BATCH_SESSIONS])
        results = []
        for result in run(_tasks(store, batch)):
            results.append(result)
            advance(1)
        columns = {name: np.stack([c[name] for c, _, _ in results]) for name in results[0][0]}
        noise = {f"{NOISE}{name}": np.stack([n[name] for *_, n in results]) for name in results[0][2]}
        with store.transaction():
            writing.replace_draws(
                store.con, batch, list(METRICS), columns, np.stack([s for _, s, _ in results]), MODEL_VERSION
            )
            writing.replace_noise(store.con, batch, noise)
            rows = store.con.execute(
                "SELECT DISTINCT speaker_id FROM session WHERE list_contains(?, session_id) ORDER BY 1", [batch]
            ).fetchall()
            pooling.repool(store, [int(r[0]) for r in rows])


def _tasks(store: Store, batch: list[int]) -> list[Task]:
    hashes = dict(
        store.con.execute(
            "SELECT session_id, content_hash FROM session WHERE list_contains(?, session_id)", [batch]
        ).fetchall()
    )
    grids = reading.grid_sessions(store.con, batch)
    infos = with_lab_errors(store, [grid.info for grid in grids])
    grids = [replace(grid, info=info) for grid, info in zip(grids, infos, strict=True)]
    value = reading.session_values(store.con, batch, tuple(METRICS))
    censored = reading.session_censoring(store.con, batch, tuple(METRICS))
    return [(grid, hashes[i], value[k], censored[k]) for k, (i, grid) in enumerate(zip(batch, grids, strict=True))]


def unit_values(store: Store, speaker_id: int, setting: str) -> ValueTable:
    """A speaker's pooled values with intervals about the units measured, not the model: worked out afresh from its curves."""
    active = reading.active_values(store.con, [speaker_id])
    rows = [k for k, s in enumerate(active.setting) if s == setting]
    ids = [int(active.session_id[k]) for k in rows]
    metrics = tuple(m for m in METRICS if m in active.values.metrics)  # a file may not know the newest yet
    draws, calibration = [], []
    for session, content_hash, value, _ in _tasks(store, ids):
        known = np.array([m in metrics for m in METRICS])
        found = derive.session_uncertainty(session, content_hash, metrics, value[known], unit=True)
        draws.append(found.uncertain.draws.astype(np.float32))
        calibration.append(found.se_calibration)
    column = [active.values.metrics.index(m) for m in metrics]
    value, censored = active.values.value[np.ix_(rows, column)], active.values.censored[np.ix_(rows, column)]
    reason = {(k, m): t for k, row in enumerate(rows) for m in metrics if (t := active.values.reason.get((row, m)))}
    table = ValueTable(metrics, value, censored, reason)
    group, sample, lab = np.zeros(len(rows), np.int64), [active.sample[k] for k in rows], [active.lab[k] for k in rows]
    pooled = derive.pool_table(table, group, sample, lab).values
    spread = derive.pool_draws(table, np.stack(draws), np.stack(calibration), group, sample, lab)
    return pooled.with_intervals(pooling.open_ends(spread.uncertain, pooled))


def about_units(store: Store, speaker_id: int, frame: pl.DataFrame) -> pl.DataFrame:
    """The rows of `show` with the pooled intervals about the units measured."""
    pooled = frame.filter(pl.col("session").is_null())
    parts = []
    for setting in pooled["setting"].unique(maintain_order=True):
        table = unit_values(store, speaker_id, setting)
        columns = {name: pl.Series(array[0]).fill_nan(None) for name, array in table.intervals().items()}
        fresh = pl.DataFrame({"metric": list(table.metrics), **columns}).drop("se_calibration")
        mine = pooled.filter(pl.col("setting") == setting).drop("corrected", "se", "low", "high")
        parts.append(mine.join(fresh, on="metric", how="left", maintain_order="left").select(frame.columns))
    return pl.concat([*parts, frame.filter(pl.col("session").is_not_null())])
