"""Keeping the file sound: recompute what a changed definition touches, migrate, export, check, compact."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from speakerdb import derive as deriving
from speakerdb import formats
from speakerdb.errors import DataError, StoreError
from speakerdb.field import error_models
from speakerdb.field.naming import find_session
from speakerdb.metric import ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, Session, SourceFile
from speakerdb.store import Store, connection, migrations, reading, writing
from speakerdb.store.connection import OF_SESSIONS, fetch_one, of_sessions
from speakerdb.upkeep import repooling
from speakerdb.upkeep.identity import differences

BATCH_SESSIONS = 64  # sessions held in memory and committed together
_VERIFY_SAMPLE = 20  # sessions recomputed by `verify`


def stale_metrics(store: Store) -> list[str]:
    """Metrics whose values in the file were computed by another definition than this program's."""
    if not _count(store, "SELECT count(*) FROM session"):
        return []  # no values, so none that are out of date
    versions = dict(store.con.execute("SELECT id, version FROM metric").fetchall())
    return [m.id for m in METRICS.values() if versions.get(m.id) != m.version]


@dataclass(frozen=True)
class DeriveReport:
    """What `derive` did: the metrics whose definition had changed (or all), and how many sessions it renewed: in those of another error
    model all values, also where `metrics` is empty."""

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
    """Recompute the metrics whose definition has changed (everything: all of them) from the stored curves; in sessions of another error
    model than the one that counts all values are renewed.

    from_raw: read the kept source files again first, so that a changed reading of files takes effect too.
    Works in batches, each committed whole; a batch that was done before an interruption is simply done again.
    A definition counts as up to date only once all sessions have its new value. Raises DataError where a kept file
    can't be read any more; the batches before it stay done.
    """
    everything |= from_raw
    model = error_models.current(store)
    wanted = list(METRICS) if everything else stale_metrics(store)
    every = "SELECT session_id FROM session WHERE $1 OR error_model <> $2 ORDER BY session_id"
    ids = [int(r[0]) for r in store.con.execute(every, [bool(wanted), model.seed]).fetchall()]
    if not ids:
        return DeriveReport((), 0)
    # sessions of another error model may have been aligned otherwise: all their values are renewed
    others = {int(r[0]) for r in store.con.execute(every, [False, model.seed]).fetchall()}
    begin(len(ids))
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = ids[start : start + BATCH_SESSIONS]
        whole = everything or not others.isdisjoint(batch)
        measured = [reread(store, i) for i in batch] if from_raw else reading.grid_sessions(store.con, batch)
        derived = deriving.derive(error_models.aligned(measured, model), None if whole else wanted)
        with store.transaction():
            if from_raw:
                writing.replace_curves(store.con, batch, measured)
            _replace_values(store, batch, derived.values)
            store.con.execute("UPDATE session SET error_model = NULL WHERE list_contains(?, session_id)", [batch])
            writing.replace_listening_axis(store.con, batch, derived.listening_axis)
            if whole:
                store.con.execute("DELETE FROM summary_curve WHERE list_contains(?, session_id)", [batch])
                writing.insert_summary(store.con, batch, derived.summary)
        advance(len(batch))
    with store.transaction():
        repooling.repool(store, None)
        for metric_id in wanted:
            store.con.execute("UPDATE metric SET version = ? WHERE id = ?", [METRICS[metric_id].version, metric_id])
    return DeriveReport(tuple(wanted), len(ids))


def reread(store: Store, session_id: int) -> GridSession:
    """A session on the grid again, from its kept source files. Raises DataError."""
    return deriving.to_grid(_measured(store, session_id))


def _measured(store: Store, session_id: int) -> Session:
    """A session as it was measured, read again from its kept source files. Raises DataError."""
    row = fetch_one(store.con, "SELECT session, folder FROM session WHERE session_id = ?", [session_id])
    assert row is not None
    files = [
        SourceFile(name, hashlib.sha256(content).hexdigest(), content)
        for name, content in reading.source_files(store.con, session_id).items()
    ]
    try:
        return formats.read_sources(row[1], files)
    except DataError as error:
        raise DataError(
            f"session {row[0]}: its kept source files can't be read any more: {error.message}", error.items
        ) from None


def _replace_values(store: Store, session_ids: Sequence[int], values: ValueTable) -> None:
    numbers = writing.metric_numbers(store.con)
    store.con.execute(
        f"DELETE FROM metric_value WHERE {OF_SESSIONS} AND list_contains(?, metric_no)",
        [*of_sessions(session_ids), [numbers[m] for m in values.metrics]],
    )
    writing.insert_values(store.con, session_ids, values)


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
        con.execute("CHECKPOINT")
    finally:
        con.close()
    copy = migrations.copy_beside(path, version)
    con = connection.connect(path, write=True)
    try:
        migrations.apply(con, version)
    finally:
        con.close()
    return version, newest, copy


def export(store: Store, target: Path) -> list[Path]:
    """Write every table as Parquet (Zstandard) into a folder that is new or empty; returns the files."""
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise StoreError(f"{target} exists and is not an empty folder; choose a new one")
    target.mkdir(parents=True, exist_ok=True)
    tables = [
        row[0]
        for row in store.con.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE' ORDER BY 1"
        ).fetchall()
    ]
    files = []
    for table in tables:
        file = target / f"{table}.parquet"
        store.con.execute(
            f"COPY {table} TO '{str(file).replace(chr(39), chr(39) * 2)}' (FORMAT parquet, COMPRESSION zstd)"
        )
        files.append(file)
    return files


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


_ORPHANS = {
    "curve": "session", "sweep": "session", "summary_curve": "session", "listening_axis": "session",
    "metric_value": "session", "uncertainty": "session", "own_draw": "session", "bench_draw": "session",
    "source_file": "session", "pooled_value": "speaker", "pooled_curve": "speaker", "speaker_setting": "speaker",
    "session": "speaker", "fact": "speaker", "price": "speaker", "speaker_alias": "speaker",
}  # fmt: skip


def verify(store: Store) -> list[str]:
    """Everything that is wrong with the file's content, in words: orphans, hashes, counts, values that do not recompute,
    the same curves under two keys, facts in conflict. Empty: all is well."""
    problems = []
    for table, owner in _ORPHANS.items():
        count = _count(store, f"SELECT count(*) FROM {table} t WHERE t.{owner}_id IS NOT NULL AND NOT EXISTS "
                              f"(SELECT 1 FROM {owner} o WHERE o.{owner}_id = t.{owner}_id)")  # fmt: skip
        if count:
            problems.append(f"{count} rows of {table} belong to no {owner}")
    for table in ("curve", "metric_value", "source_file"):
        count = _count(store, f"SELECT count(*) FROM session s WHERE NOT EXISTS "
                              f"(SELECT 1 FROM {table} t WHERE t.session_id = s.session_id)")  # fmt: skip
        if count:
            problems.append(f"{count} sessions have no rows in {table}")
    problems += _bad_hashes(store) + _not_recomputed(store) + _twins(store) + _conflicts(store)
    if stale := stale_metrics(store):
        problems.append(f"values of {', '.join(stale)} were computed by an older definition; run `speakerdb derive`")
    return problems


def _count(store: Store, sql: str) -> int:
    row = fetch_one(store.con, sql)
    return int(row[0]) if row else 0


def _bad_hashes(store: Store) -> list[str]:
    """Source files whose bytes do not give the stored SHA-256."""
    bad = []
    for (session_id,) in store.con.execute("SELECT session_id FROM session ORDER BY 1").fetchall():
        for name, sha, size, packed in store.con.execute(
            "SELECT name, sha256, size, zstd FROM source_file WHERE session_id = ?", [session_id]
        ).fetchall():
            try:
                content = writing.decompress(packed)
            except StoreError as error:
                bad.append(f"session {_session_name(store, session_id)}: source file {name}: {error}")
                continue
            if hashlib.sha256(content).hexdigest() != sha or len(content) != size:
                bad.append(
                    f"session {_session_name(store, session_id)}: source file {name} does not have its stored SHA-256"
                )
    return bad


def _session_name(store: Store, session_id: int) -> str:
    row = fetch_one(store.con, "SELECT session FROM session WHERE session_id = ?", [session_id])
    return str(row[0]) if row else "?"


def _not_recomputed(store: Store) -> list[str]:
    """A sample of sessions, evenly spread: do the stored curves still give the stored values?"""
    ids = [
        int(r[0])
        for r in store.con.execute("SELECT session_id FROM session WHERE status = 'active' ORDER BY 1").fetchall()
    ]
    if len(ids) > _VERIFY_SAMPLE:
        ids = [ids[i] for i in np.linspace(0, len(ids) - 1, _VERIFY_SAMPLE).astype(int)]
    stale = stale_metrics(store)
    fresh = [m for m in METRICS if m not in stale]
    if not ids or not fresh:
        return []
    grids = reading.grid_sessions(store.con, ids)
    problems = [p for i, grid in zip(ids, grids, strict=True) if (p := _not_reread(store, i, grid))]
    again = deriving.derive(error_models.aligned(grids, error_models.current(store)), fresh).values
    stored, _ = reading.session_values(store.con, ids, again.metrics)
    # matrix products of another batch size differ in the last bits
    apart = ~np.isclose(stored, again.value, rtol=1e-9, atol=1e-9, equal_nan=True)
    return problems + [
        f"session {_session_name(store, ids[i])}: {again.metrics[j]} is stored as {stored[i, j]:g} but recomputes to {again.value[i, j]:g}"
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
        f"session {_session_name(store, session_id)}: source files and curves disagree: {'; '.join(changed)}"
        if changed
        else None
    )


def _twins(store: Store) -> list[str]:
    rows = store.con.execute(
        "SELECT list_sort(list(session)) FROM session WHERE status = 'active' GROUP BY content_hash HAVING count(*) > 1"
    ).fetchall()
    return [f"sessions {', '.join(names)} hold the same curves under different keys" for (names,) in rows]


def _conflicts(store: Store) -> list[str]:
    rows = store.con.execute(
        "SELECT s.slug, c.name, c.value, c.distinct_values FROM current_fact c JOIN speaker s USING (speaker_id) "
        "WHERE c.distinct_values > 1 ORDER BY 1, 2"
    ).fetchall()
    return [f"{slug}: {name} is given in {n} ways; the newest, {value}, is used" for slug, name, value, n in rows]


def compact(store_path: Path) -> tuple[int, int]:
    """Rewrite the file without dead space; returns the sizes in bytes before and after. The old file stays until the new is whole."""
    before = store_path.stat().st_size
    part = store_path.with_name(store_path.name + ".compact")
    part.unlink(missing_ok=True)
    con = connection.connect(store_path, write=True)
    try:
        quoted = str(part).replace("'", "''")
        con.execute(f"ATTACH '{quoted}' AS compacted")
        name = fetch_one(con, "SELECT current_database()")
        assert name is not None
        con.execute(f'COPY FROM DATABASE "{name[0]}" TO compacted')
        con.execute("DETACH compacted")
    finally:
        con.close()
    part.replace(store_path)
    return before, store_path.stat().st_size
