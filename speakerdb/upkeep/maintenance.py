"""Keeping the file sound: recompute what a changed definition touches, migrate, export, check, compact."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from speakerdb import derive as deriving
from speakerdb import figures, formats
from speakerdb.errors import DataError, StoreError
from speakerdb.field import error_models
from speakerdb.field.naming import find_session
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, Session, SourceFile
from speakerdb.store import (
    Store,
    changes,
    checks,
    connection,
    migrations,
    reading,
    session_rows,
    values,
    views,
    writing,
)
from speakerdb.upkeep import repooling
from speakerdb.upkeep.identity import differences

BATCH_SESSIONS = 64  # sessions held in memory and committed together
_LONGEST_NAME = 200
_VERIFY_SAMPLE = 20  # sessions recomputed by `verify`


def stale_metrics(store: Store) -> list[str]:
    """Metrics whose values in the file were computed by another definition than this program's."""
    if not session_rows.count_of(store.con):
        return []  # no values, so none that are out of date
    versions = values.metric_versions(store.con)
    return [m.id for m in METRICS.values() if versions.get(m.id) != m.version]


@dataclass(frozen=True)
class DeriveReport:
    """What `derive` did: the metrics whose definition had changed (or all), and how many sessions it renewed: in those
    of another error model all values, also where `metrics` is empty."""

    metrics: tuple[str, ...]
    sessions: int


def derive(
    store: Store,
    *,
    everything: bool = False,
    from_raw: bool = False,
    begin: Callable[[int], None] = lambda _: None,
    advance: Callable[[int], None] = lambda _: None,
) -> DeriveReport:
    """Recompute the metrics whose definition has changed (everything: all of them) and the curves that stand beside
    them; in sessions of another error model than the one that counts all values are renewed.

    from_raw: read the kept source files again first, so that a changed reading of files takes effect too; those of
    sessions whose curves an upgrade found out of date are read again in any case.
    Works in batches, each committed whole; a batch that was done before an interruption is simply done again.
    A definition counts as up to date only once all sessions have its new value. Raises DataError where a kept file
    can't be read any more; the batches before it stay done.
    """
    everything |= from_raw
    model = error_models.current(store)
    wanted = list(METRICS) if everything else stale_metrics(store)
    others = session_rows.of_another_error_model(store.con, model.seed)
    out_of_date = set(session_rows.to_read_anew(store.con))
    ids = session_rows.session_ids(store.con) if wanted else others
    if not ids:
        return DeriveReport((), 0)
    begin(len(ids))
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = ids[start : start + BATCH_SESSIONS]
        again = {i: reread(store, i) for i in batch if from_raw or i in out_of_date}
        kept = dict(zip(batch, reading.grid_sessions(store.con, batch), strict=True)) if len(again) < len(batch) else {}
        measured = [again.get(i) or kept[i] for i in batch]
        # sessions of another error model may have been aligned otherwise: all their values are renewed
        whole = everything or not set(others).isdisjoint(batch)
        derived = deriving.derive(error_models.aligned(measured, model))
        with store.transaction():
            if again:
                writing.replace_curves(store.con, list(again), list(again.values()))
            writing.replace_values(store.con, batch, derived.values if whole else derived.values.only(wanted))
            changes.unmark_error_model(store.con, batch)
            writing.replace_listening_axis(store.con, batch, derived.listening_axis)
            writing.replace_summary(store.con, batch, derived.summary)
        advance(len(batch))
    with store.transaction():
        repooling.repool(store, None)
        for metric_id in wanted:
            changes.set_metric_version(store.con, metric_id, METRICS[metric_id].version)
    return DeriveReport(tuple(wanted), len(ids))


def reread(store: Store, session_id: int) -> GridSession:
    """A session on the grid again, from its kept source files. Raises DataError."""
    return deriving.to_grid(_measured(store, session_id))


def _measured(store: Store, session_id: int) -> Session:
    """A session as it was measured, read again from its kept source files. Raises DataError."""
    head = session_rows.head_of(store.con, session_id)
    files = [
        SourceFile(name, hashlib.sha256(content).hexdigest(), content)
        for name, content in reading.source_files(store.con, session_id).items()
    ]
    try:
        return formats.read_sources(head.folder, files)
    except DataError as error:
        raise DataError(
            f"session {head.session}: its kept source files can't be read any more: {error.message}", error.items
        ) from None


def upgrade(path: Path) -> tuple[int, int, Path | None]:
    """Bring a file to the newest schema; returns (old version, new version, the copy kept beside it or None).

    Raises StoreError for a file that is missing, newer or foreign.
    """
    if not path.exists():
        raise StoreError(f"there is no database at {path}; nothing to upgrade")
    con = connection.connect(path, write=True)
    try:
        version = migrations.version_of(con)
        newest = migrations.newest_version()
        if version >= newest or version == 0:
            migrations.check(path, version, may_create=False)
            return version, version, None
    finally:
        con.close()
    checks.checkpoint(path)
    copy = migrations.copy_beside(path, version)
    con = connection.connect(path, write=True)
    try:
        migrations.apply(con, version)
    finally:
        con.close()
    return version, newest, copy


def export(store: Store, target: Path) -> list[Path]:
    """Write every table as Parquet (Zstandard) into a folder that is new or empty, all of them or none; returns the
    files."""
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise StoreError(f"{target} exists and is not an empty folder; choose a new one")
    part = target.with_name(target.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    files = checks.export_tables(store.con, part)
    if target.exists():
        target.rmdir()
    part.rename(target)
    return [target / file.name for file in files]


def export_sofa(store: Store, session: str, target: Path) -> Path:
    """One session's curves, as they were measured, as an AES69 FreeFieldDirectivityTF file that is new.

    Beside it, under the same name, a .toml holds the keys of session.toml with which the file comes in again; its path
    is returned. Raises StoreError where a file is there already, DataError where the kept files can't be read.
    """
    facts = target.with_suffix(".toml")
    for file in (target, facts):
        if file.exists():
            raise StoreError(f"{file} exists; choose a new file name")
    measured = _measured(store, find_session(store, session))
    formats.write_sofa(measured, target)
    facts.write_text(formats.session_toml(measured), encoding="utf-8")
    return facts


def verify(store: Store) -> list[str]:
    """Everything that is wrong with the file's content, in words: orphans, hashes, counts, values that do not
    recompute, the same curves under two keys, facts in conflict. Empty: all is well."""
    problems = [
        f"the file holds {what}, which is none of this program's" for what in views.foreign_functions(store.con)
    ]
    if count := checks.speakers_without_sessions(store.con):
        problems.append(f"speakers without a session: {figures.number(count, 0)}")
    if count := checks.long_names(store.con, _LONGEST_NAME):
        problems.append(f"speakers whose name has more than {_LONGEST_NAME} characters: {figures.number(count, 0)}")
    problems += [f"{count} rows of {table} belong to no {owner}" for count, table, owner in checks.orphans(store.con)]
    for table in ("curve", "metric_value", "source_file"):
        if count := checks.sessions_without(store.con, table):
            problems.append(f"{count} sessions have no rows in {table}")
    problems += _bad_hashes(store) + _not_recomputed(store)
    problems += [
        f"sessions {', '.join(names)} hold the same curves under different keys" for names in checks.twins(store.con)
    ]
    problems += [
        f"{slug}: {name} is given in {n} ways; the newest, {value}, is used"
        for slug, name, value, n in checks.fact_conflicts(store.con)
    ]
    if stale := stale_metrics(store):
        problems.append(f"values of {', '.join(stale)} were computed by an older definition; run `speakerdb derive`")
    return problems


def _bad_hashes(store: Store) -> list[str]:
    """Source files whose bytes do not give the stored SHA-256."""
    bad = []
    for session_id in session_rows.session_ids(store.con):
        for name, sha, size, packed in checks.packed_files(store.con, session_id):
            try:
                content = writing.decompress(packed)
            except StoreError as error:
                bad.append(
                    f"session {session_rows.head_of(store.con, session_id).session}: source file {name}: {error}"
                )
                continue
            if hashlib.sha256(content).hexdigest() != sha or len(content) != size:
                bad.append(
                    f"session {session_rows.head_of(store.con, session_id).session}: source file {name} does "
                    "not have its stored SHA-256"
                )
    return bad


def _not_recomputed(store: Store) -> list[str]:
    """A sample of sessions, evenly spread: do the stored curves still give the stored values?"""
    ids = session_rows.active_ids(store.con)
    if len(ids) > _VERIFY_SAMPLE:
        ids = [ids[i] for i in np.linspace(0, len(ids) - 1, _VERIFY_SAMPLE).astype(int)]
    stale = stale_metrics(store)
    fresh = [m for m in METRICS if m not in stale]
    if not ids or not fresh:
        return []
    grids = reading.grid_sessions(store.con, ids)
    problems = [p for i, grid in zip(ids, grids, strict=True) if (p := _not_reread(store, i, grid))]
    again = deriving.derive(error_models.aligned(grids, error_models.current(store)), fresh).values
    stored, _, _ = reading.session_values(store.con, ids, again.metrics)
    # matrix products of another batch size differ in the last bits
    apart = ~np.isclose(stored, again.value, rtol=1e-9, atol=1e-9, equal_nan=True)
    return problems + [
        f"session {session_rows.head_of(store.con, ids[i]).session}: {again.metrics[j]} is stored as "
        f"{figures.plain(stored[i, j], 12)} but recomputes to {figures.plain(again.value[i, j], 12)}"
        for i, j in zip(*np.nonzero(apart), strict=True)
    ]


def _not_reread(store: Store, session_id: int, stored: GridSession) -> str | None:
    """What is wrong if the kept source files no longer give the stored curves."""
    try:
        again = reread(store, session_id)
    except (DataError, StoreError) as error:
        return error.message
    changed = differences(stored, again)
    return (
        f"session {session_rows.head_of(store.con, session_id).session}: source files and curves disagree: "
        f"{'; '.join(changed)}"
        if changed
        else None
    )


def compact(store_path: Path) -> tuple[int, int]:
    """Rewrite the file without dead space; returns the sizes in bytes before and after. The old file stays until the
    new is whole."""
    before = store_path.stat().st_size
    part = store_path.with_name(store_path.name + ".compact")
    part.unlink(missing_ok=True)
    checks.copy_without_dead_space(store_path, part)
    part.replace(store_path)
    return before, store_path.stat().st_size
