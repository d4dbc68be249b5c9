"""Every table of a file held against the same file made anew from its sources (method:data#checking)."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from speakerdb.errors import StoreError
from speakerdb.session import FloatArray
from speakerdb.store import Store, reading, rebuilt, salvage, session_rows, speakers
from speakerdb.store.salvage import Salvage
from speakerdb.upkeep.rebuilding import rebuild

_BATCH = 200
_NAMED = 3  # rows of a session or a speaker that are named
_TOLERANCE = 1e-6  # matrix products of another batch size differ in the last bits
_STEP = 1  # so do draws, by a step where they lie between two
# what is computed: the columns that name a row
_OF_SESSIONS = {
    "curve": ("orbit", "angle_deg"),
    "sweep": ("kind", "component", "drive_db"),
    "summary_curve": ("part",),
    "listening_axis": ("angle_deg",),
    "metric_value": ("metric_no",),
    "uncertainty": ("metric_no",),
    "own_draw": (),
    "bench_draw": (),
    "source_file": ("name",),
    "fact": ("name", "value", "date", "source"),
    "price": ("amount", "currency", "per", "kind", "date", "source"),
}
_OF_SPEAKERS = {
    "pooled_value": ("setting", "metric_no"),
    "pooled_curve": ("setting", "part"),
    "speaker_setting": ("setting",),
}
_NUMBERS_OF_ROWS = frozenset({"fact_id", "price_id", "pattern_no"})  # which say nothing of what a row holds
_HEAD = ("session", "content_hash", "lab", "sample", "setting", "date", "repeat", "method", "run", "calibration")


def problems(
    path: Path, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
) -> list[str]:
    """All that a full reading and a recomputation find, in words; empty where all is well."""
    found: list[str] = []
    with Salvage(path) as old, tempfile.TemporaryDirectory() as place:
        altered = old.altered()
        found += [f"table {table}: its rows are not those that were last written" for table in altered]
        found += _unreadable(old)
        target = Path(place) / "again.duckdb"
        try:
            made = rebuild(old, target, from_folders=False, begin=begin, advance=advance)
        except StoreError as error:
            return [*found, error.message]
        found += [t for t in made.told if t not in found]
        with Store.open(target, write=False) as again:
            for line in _compare(old, again):
                if line not in found:
                    found.append(line)
    return found


def _unreadable(old: Salvage) -> list[str]:
    """Tables that can't be read to their end."""
    return [f"table {table}: not all of it can be read" for table in old.tables() if not old.reads_whole(table)]


def _compare(old: Salvage, again: Store) -> Iterator[str]:
    names = {i: session_rows.head_of(again.con, i).session for i in session_rows.session_ids(again.con)}
    slugs = dict(rebuilt.rows(again.con, "speaker").select("speaker_id", "slug").iter_rows())
    yield from _heads(old, again, names)
    ids = sorted(names)
    for table, keys in _OF_SESSIONS.items():
        for start in range(0, len(ids), _BATCH):
            batch = ids[start : start + _BATCH]
            for some, rows in old.rows_of(table, batch):
                called = {i: f"session {names[i]}" for i in some}
                if rows is None:
                    yield from (f"{called[i]}: its rows of {table} can't be read" for i in some)
                    continue
                right = rebuilt.rows(again.con, table, some)
                yield from _differences(table, "session_id", keys, rows, right, called)
    everyone = speakers.speaker_ids(again.con)
    for table, keys in _OF_SPEAKERS.items():
        rows = old.table(table)
        right = rebuilt.rows(again.con, table)
        called = {i: f"speaker {slugs.get(i, i)}" for i in everyone}
        if set(right.columns) <= set(rows.columns):
            yield from _differences(table, "speaker_id", keys, rows, right, called)


def _heads(old: Salvage, again: Store, names: dict[int, str]) -> Iterator[str]:
    """What the rows of sessions say, against what their files say."""
    rows, right = old.frame(salvage.HEADS), again.frame(salvage.HEADS)
    if rows is None:
        return
    stood = {r["session_id"]: r for r in rows.iter_rows(named=True)}
    for made in right.iter_rows(named=True):
        had = stood.get(made["session_id"])
        if had is None:
            yield f"session {names[made['session_id']]}: its row is gone, its files are there"
            continue
        wrong = [key for key in _HEAD if had[key] != made[key]]
        if had["speaker_id"] != made["speaker_id"]:
            wrong.append("speaker")
        if wrong:
            said = "; ".join(f"{key} {had.get(key)!r}, by its files {made.get(key)!r}" for key in wrong[:_NAMED])
            yield f"session {names[made['session_id']]}: {said}"


def _differences(
    table: str, owner: str, keys: tuple[str, ...], had: pl.DataFrame, made: pl.DataFrame, called: dict[int, str]
) -> Iterator[str]:
    """Owner by owner, how many rows are missing, too many or other than they should be."""
    on = [owner, *keys]
    if not set(on) <= set(had.columns):
        return
    had = had.filter(pl.col(owner).is_in(list(called))).cast({k: made.schema[k] for k in on}, strict=False)
    lost, extra = _apart(made, had, on), _apart(had, made, on)
    columns = [c for c in made.columns if c in had.columns and c not in on and c not in _NUMBERS_OF_ROWS]
    both = had.unique(on, keep="first").join(made, on=on, how="inner", suffix=" made", nulls_equal=True)
    wrong = np.zeros(len(both), dtype=bool)
    for column in columns:
        wrong |= _unequal(both[column], both[f"{column} made"])
    for owner_id, name in called.items():
        told = []
        for what, rows in (("missing", lost), ("too many", extra), ("other than it should be", both.filter(wrong))):
            mine = rows.filter(pl.col(owner) == owner_id)
            if len(mine):
                some = "; ".join(" ".join(str(v) for v in row) for row in mine.select(keys).head(_NAMED).iter_rows())
                told.append(f"{len(mine)} row{'s' * (len(mine) > 1)} {what}{f' ({some})' if some else ''}")
        if told:
            yield f"{name}: {table}: {', '.join(told)}"


def _apart(rows: pl.DataFrame, others: pl.DataFrame, on: list[str]) -> pl.DataFrame:
    """Rows that others have not, counted: of two alike, one may be too many."""
    nth = pl.int_range(pl.len()).over(on).alias("nth")
    a, b = rows.select(on).with_columns(nth), others.select(on).with_columns(nth)
    return a.join(b, on=[*on, "nth"], how="anti", nulls_equal=True)


def _unequal(had: pl.Series, made: pl.Series) -> np.ndarray[Any, np.dtype[np.bool_]]:
    if isinstance(made.dtype, pl.Array):
        none = had.is_null().to_numpy() | made.is_null().to_numpy()
        out: np.ndarray[Any, np.dtype[np.bool_]] = had.is_null().to_numpy() != made.is_null().to_numpy()
        if (~none).any():
            a, b = (reading.levels(s.filter(pl.Series(~none))).astype(np.float64) for s in (had, made))
            step: FloatArray | float = _STEP if made.dtype.inner == pl.Int8 else _TOLERANCE * np.maximum(np.abs(b), 1.0)
            out[~none] = ~_alike(a, b, step).all(axis=1)
        return out
    if made.dtype.is_float():
        a, b = (s.cast(pl.Float64).fill_null(np.nan).to_numpy() for s in (had, made))
        return ~_alike(a, b, _TOLERANCE * np.maximum(np.abs(b), 1.0))
    return np.asarray(had.ne_missing(made).to_numpy())


def _alike(a: FloatArray, b: FloatArray, step: FloatArray | float) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Where two numbers are one: open ends and unknown ones too."""
    with np.errstate(invalid="ignore"):
        return np.asarray((a == b) | (np.abs(a - b) <= step) | (np.isnan(a) & np.isnan(b)))
