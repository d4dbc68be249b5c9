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
    lost, and all that could not be saved, in words; differing: session -> how its curves are not those of its files."""

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
    files = old.frame("SELECT DISTINCT session_id FROM source_file")
    for session_id in [] if files is None else files["session_id"].to_list():
        heads.setdefault(int(session_id), {})
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
        told: dict[int, set[str]] = {}
        for head in heads.values():
            if head.get("speaker_id") is not None and (slug := _slug_in(head)) is not None:
                told.setdefault(int(head["speaker_id"]), set()).add(slug)
        for speaker_id, slugs in told.items():
            rebuilt.call_speaker(new.con, speaker_id, sorted(slugs))


def _slug_in(head: Mapping[str, Any]) -> str | None:
    """What a session's own words call its speaker."""
    try:
        return str(json.loads(head.get("info") or "")["slug"])
    except (ValueError, TypeError, KeyError):
        return None


def _recover(
    old: Salvage, session_id: int, head: Mapping[str, Any], found: Rebuilt, *, from_folders: bool
) -> NewSession | None:
    """A session from its kept files, else from its curves; None where neither can be had."""
    called = str(head.get("session") or f"number {session_id}")
    folder = str(head.get("folder") or "")
    files, gone = _sources(old, session_id, folder, from_folders=from_folders)
    session = None
    if files and not gone:
        try:
            session = formats.read_sources(folder, files)
            grid = deriving.to_grid(session)
            content = formats.content_hash(session)
        except DataError as error:
            gone = [error.message]
            session = None
    if session is None:
        what = ", ".join(gone) or "none are kept"
        kept = _stored_curves(old, session_id)
        if kept is None or not head.get("content_hash"):
            found.lost.append(called)
            found.told.append(f"session {called} is lost: neither its source files ({what}) nor its curves can be read")
            return None
        found.taken_over.append(called)
        found.told.append(f"session {called}: its source files can't be read ({what}); its curves are as they stood")
        grid, content = kept, str(head["content_hash"])
    else:
        found.whole.append(called)
        if head.get("content_hash") not in {None, content}:
            found.told.append(f"session {called}: its row says another content than its source files have")
    grid = replace(grid, info=_named_as_stored(old, grid.info, head))
    return NewSession(content, grid, folder, tuple(files), ledger=_ledger(head))


def _sources(old: Salvage, session_id: int, folder: str, *, from_folders: bool) -> tuple[list[SourceFile], list[str]]:
    """A session's source files, and the names of those that can't be had."""
    kept = old.files(session_id)
    if kept is None:
        return [], ["they can't be read"]
    files, gone = [], []
    for name, (sha, stored) in kept.items():
        content = stored if stored is not None and hashlib.sha256(stored).hexdigest() == sha else None
        if content is None and from_folders and folder:
            content = _from_folder(Path(folder) / name, sha)
        if content is None:
            gone.append(name)
        else:
            files.append(SourceFile(name, sha, content))
    return files, gone


def _from_folder(path: Path, sha: str) -> bytes | None:
    from speakerdb.files import read_file

    try:
        content = read_file(path)
    except OSError:
        return None
    return content if hashlib.sha256(content).hexdigest() == sha else None


def _stored_curves(old: Salvage, session_id: int) -> GridSession | None:
    try:
        return reading.grid_sessions(old.con, [session_id])[0]
    except Exception:  # whatever damaged rows lead to
        old.close()
        return None


def _named_as_stored(old: Salvage, info: SessionInfo, head: Mapping[str, Any]) -> SessionInfo:
    """The info with lab, sample and setting as the row has them, where they are the same but in writing."""
    names: dict[str, Any] = {key: head.get(key) for key in ("sample", "setting")}
    lab = old.frame("SELECT name FROM lab WHERE lab_id = $1", [head["lab_id"]]) if head.get("lab_id") else None
    names["lab"] = lab["name"][0] if lab is not None and len(lab) else None
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
        made = new.frame(f"SELECT * FROM {table}")
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
