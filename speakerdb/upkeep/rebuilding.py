"""A file made anew from what another holds: curves from its kept source files, all that is computed from the curves.

`verify --deep` makes one for a moment and holds every table against it; `repair` keeps it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from speakerdb import derive as deriving
from speakerdb import formats
from speakerdb.errors import DataError, StoreError
from speakerdb.field import error_models
from speakerdb.session import GridSession, LedgerEntry, SessionInfo, SourceFile
from speakerdb.store import NewSession, Store, reading, rebuilt, writing
from speakerdb.store.salvage import Salvage
from speakerdb.upkeep import identity, repooling, working_out

_BATCH = 48
_COPIED = ("speaker_alias", "error_model", "bench_alignment")  # tables taken over as they are
_HEAD_KEPT = ("status", "status_reason", "status_since", "folder", "ingested_at", "ledger")  # no source file tells them


@dataclass
class Rebuilt:
    """What came of it: sessions that were made anew, those whose curves alone could be taken over, those that are
    lost, and all that was found, in words."""

    whole: list[str] = field(default_factory=list)
    taken_over: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


def rebuild(
    old: Salvage,
    target: Path,
    *,
    from_folders: bool,
    begin: Callable[[int], None] = lambda _: None,
    advance: Callable[[int], None] = lambda _: None,
) -> Rebuilt:
    """Write a new file with all that can be had of an old one. from_folders: files that are damaged in it are looked
    for in the folder that the session came from, and taken if their SHA-256 is that of then.

    Raises StoreError where the old file can't be opened, or holds nothing of this program.
    """
    heads = _heads(old)
    if not heads:
        raise StoreError(f"{old.path} holds no session that could be read; ingest the session folders into a new file")
    found = Rebuilt()
    begin(len(heads))
    with Store.open(target, write=True) as new:
        _copy(old, new, heads)
        model = error_models.current(new)
        for start in range(0, len(heads), _BATCH):
            ids = sorted(heads)[start : start + _BATCH]
            batch = [(i, s) for i in ids if (s := _recover(old, i, heads[i], found, from_folders=from_folders))]
            _insert(new, batch, heads, model)
            advance(len(ids))
        _settle_facts(old, new)
        worked_out = [i for i, head in heads.items() if head.get("error_model") == model.seed]
        working_out.work_out_again(new, [i for i in worked_out if i in rebuilt.session_ids(new.con)])
        with new.transaction():
            repooling.repool(new, None)
    found.told += old.lost
    return found


def _heads(old: Salvage) -> dict[int, dict[str, Any]]:
    """session_id -> what its row says, as far as it can be read; a session of which only files are left has an empty
    one."""
    table = old.table("session")
    heads: dict[int, dict[str, Any]] = {}
    if "session_id" in table.columns:
        heads = {int(row["session_id"]): row for row in table.iter_rows(named=True)}
    for session_id in old.sessions_with_files():
        heads.setdefault(session_id, {})
    return heads


def _copy(old: Salvage, new: Store, heads: Mapping[int, Mapping[str, Any]]) -> None:
    with new.transaction():
        numbers = old.table("metric")
        if {"id", "metric_no"} <= set(numbers.columns):
            rebuilt.number_metrics(new.con, dict(zip(numbers["id"], numbers["metric_no"], strict=True)))
            writing.sync_dictionary(new.con)
        for name in _COPIED:
            rebuilt.put(new.con, name, old.table(name))
        rebuilt.put(new.con, "speaker", old.table("speaker"))
        for name in ("maker", "lab"):
            rebuilt.put(new.con, name, old.table(name))
        rebuilt.name_speakers(new.con, _speakers_told(heads))


def _speakers_told(heads: Mapping[int, Mapping[str, Any]]) -> dict[int, list[rebuilt.Told]]:
    """speaker_id -> what its sessions themselves call it."""
    told: dict[int, list[rebuilt.Told]] = {}
    for head in heads.values():
        try:
            info = json.loads(head.get("info") or "")
            name = rebuilt.Told(str(info["slug"]), str(info["maker"]), str(info["model"]))
        except (ValueError, TypeError, KeyError):
            continue
        if head.get("speaker_id") is not None:
            names = told.setdefault(int(head["speaker_id"]), [])
            names += [name] if name not in names else []
    return told


def _recover(
    old: Salvage, session_id: int, head: Mapping[str, Any], found: Rebuilt, *, from_folders: bool
) -> NewSession | None:
    """A session from its kept files, else from its curves; None where neither can be had."""
    called = str(head.get("session") or f"number {session_id}")
    folder, wanted = str(head.get("folder") or ""), head.get("content_hash")
    files, bad = _sources(old, session_id)
    read, why = _read(folder, files) if files else (None, "none can be read")
    if bad and (read is None or read[1] != wanted):  # damaged, and not in a way that leaves the content as it was
        read, why = None, ", ".join(bad)
    fresh = read is None and from_folders and bool(wanted)
    if fresh:
        read, files = _from_folder(folder, str(wanted), files)
    if read is None:
        kept = _stored_curves(old, session_id)
        if kept is None or not wanted:
            found.lost.append(called)
            found.told.append(f"session {called} is lost: neither its source files ({why}) nor its curves can be read")
            return None
        found.taken_over.append(called)
        found.told.append(f"session {called}: its source files can't be read ({why}); its curves are as they stood")
        grid, content = kept, str(wanted)
    else:
        found.whole.append(called)
        grid, content = read
        if fresh:
            found.told.append(
                f"session {called}: its files ({why}) were taken from {folder}, where they are as they were"
            )
        elif bad:
            found.told.append(
                f"session {called}: {', '.join(bad)}: not the bytes that were stored, or not their SHA-256"
            )
        if wanted not in {None, content}:
            found.told.append(f"session {called}: its row says another content than its source files have")
    grid = replace(grid, info=_named_as_stored(old, grid.info, head))
    return NewSession(content, grid, folder, tuple(files), ledger=_ledger(head))


def _sources(old: Salvage, session_id: int) -> tuple[list[SourceFile], list[str]]:
    """A session's source files as far as they can be unpacked, and the names of those that are not what was stored."""
    kept = old.files(session_id)
    if kept is None:
        return [], ["its files can't be read"]
    files, bad = [], []
    for name, (sha, content) in kept.items():
        if content is None or hashlib.sha256(content).hexdigest() != sha:
            bad.append(name)
        if content is not None:
            files.append(SourceFile(name, hashlib.sha256(content).hexdigest(), content))
    return files, bad


def _read(folder: str, files: Sequence[SourceFile]) -> tuple[tuple[GridSession, str] | None, str]:
    """The session on the grid with its content hash; None where the files give none, and why."""
    try:
        session = formats.read_sources(folder, files)
        return (deriving.to_grid(session), formats.content_hash(session)), ""
    except DataError as error:
        return None, error.message


def _from_folder(
    folder: str, wanted: str, files: list[SourceFile]
) -> tuple[tuple[GridSession, str] | None, list[SourceFile]]:
    """A session read again from the folder that it came from, if that holds the same content still."""
    try:
        session = formats.read_session(Path(folder))
        if folder and formats.content_hash(session) == wanted:
            return (deriving.to_grid(session), wanted), list(session.sources)
    except (DataError, OSError, ValueError):
        pass
    return None, files


def _stored_curves(old: Salvage, session_id: int) -> GridSession | None:
    try:
        return reading.grid_sessions(old.con, [session_id])[0]
    except Exception:  # whatever damaged rows lead to
        old.close()
        return None


def _named_as_stored(old: Salvage, info: SessionInfo, head: Mapping[str, Any]) -> SessionInfo:
    """The info with lab, sample and setting as the row has them, where they are the same but in writing."""
    names: dict[str, Any] = {key: head.get(key) for key in ("sample", "setting")}
    names["lab"] = old.lab(int(head["lab_id"])) if head.get("lab_id") is not None else None
    kept = {
        key: stored if isinstance(stored := names[key], str) and identity.one_name(stored, own) else own
        for key, own in (("lab", info.lab), ("sample", info.sample), ("setting", info.setting))
    }
    return replace(info, lab=kept["lab"], sample=kept["sample"], setting=kept["setting"])


def _ledger(head: Mapping[str, Any]) -> tuple[LedgerEntry, ...]:
    try:
        rows = json.loads(head.get("ledger") or "[]")
        return tuple(LedgerEntry(r["file"], r["read_as"], r["why_not"]) for r in rows)
    except (ValueError, TypeError, KeyError):
        return ()


def _insert(
    new: Store, batch: Sequence[tuple[int, NewSession]], heads: Mapping[int, Mapping[str, Any]], model: Any
) -> None:
    if not batch:
        return
    ids, sessions = [i for i, _ in batch], [s for _, s in batch]
    derived = deriving.derive(error_models.aligned([s.grid for s in sessions], model))
    with new.transaction():
        writing.insert_sessions(
            new.con, sessions, derived.values, derived.summary, derived.listening_axis, numbered=ids
        )
        rows = [
            {"session_id": i, **{k: heads[i].get(k) for k in _HEAD_KEPT}}
            for i in ids
            if heads[i].get("status") is not None
        ]
        rebuilt.keep_heads(new.con, rows)


def _settle_facts(old: Salvage, new: Store) -> None:
    """Facts and prices: those of sessions as the sessions say, under the numbers that they had; those that were brought
    in by lists as they stand."""
    for table, key, same in (
        ("fact", "fact_id", ["speaker_id", "name", "value", "source", "date", "session_id"]),
        ("price", "price_id", ["speaker_id", "amount", "currency", "per", "kind", "date", "source", "session_id"]),
    ):
        stood = old.table(table)
        made = rebuilt.rows(new.con, table)
        if set(stood.columns) != set(made.columns):
            continue
        stood = stood.select(made.columns).cast(made.schema)
        lists = stood.filter(pl.col("session_id").is_null())
        nth = pl.int_range(pl.len()).over(same).alias("nth")
        numbered = stood.filter(pl.col("session_id").is_not_null()).with_columns(nth)
        joined = made.with_columns(nth).join(
            numbered.select(*same, "nth", pl.col(key).alias("old")), on=[*same, "nth"], how="left", nulls_equal=True
        )
        taken = [int(x) for x in (*lists[key].to_list(), *joined["old"].drop_nulls().to_list())]
        start = max(taken, default=0) + 1
        fresh = joined["old"].is_null()
        numbers = np.where(fresh.to_numpy(), start + np.cumsum(fresh.to_numpy()) - 1, joined["old"].fill_null(0))
        out = joined.drop("nth", "old").with_columns(pl.Series(key, numbers, dtype=made.schema[key]))
        with new.transaction():
            rebuilt.clear(new.con, table)
        with new.transaction():
            rebuilt.put(new.con, table, pl.concat([lists, out]).sort(key))


@dataclass(frozen=True)
class Repaired:
    """The new file, and what came of it."""

    target: Path
    found: Rebuilt


def repair(
    path: Path,
    target: Path,
    *,
    begin: Callable[[int], None] = lambda _: None,
    advance: Callable[[int], None] = lambda _: None,
) -> Repaired:
    """Write a new file beside a damaged one with all that can be saved of it; the old one is not touched.

    Raises StoreError where the target exists or nothing can be read.
    """
    if target.exists():
        raise StoreError(f"{target} exists; choose another name with --out")
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with Salvage(path) as old:
            found = rebuild(old, part, from_folders=True, begin=begin, advance=advance)
        part.replace(target)
    finally:
        for left in (part, part.with_name(part.name + ".wal")):
            left.unlink(missing_ok=True)
    return Repaired(target, found)
