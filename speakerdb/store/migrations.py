"""Numbered SQL migrations from schemas/: what version a file has, and how it gets to the newest."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from speakerdb.errors import StoreError
from speakerdb.resources import resource_dir
from speakerdb.store.connection import fetch_one
from speakerdb.version import __version__

if TYPE_CHECKING:
    import duckdb


_WITH_DIGESTS = 7  # the version that keeps digests of tables


@dataclass(frozen=True)
class Migration:
    """One numbered SQL file."""

    version: int
    name: str
    sql: str


def available() -> tuple[Migration, ...]:
    """All migrations of this program, oldest first."""
    found = []
    for path in sorted(resource_dir("schemas").glob("[0-9][0-9][0-9][0-9]_*.sql")):
        number, name = path.stem.split("_", 1)
        found.append(Migration(int(number), name, path.read_text(encoding="utf-8")))
    return tuple(found)


def newest_version() -> int:
    """The schema version this program writes."""
    return available()[-1].version


def version_of(con: duckdb.DuckDBPyConnection) -> int:
    """The schema version of an open file: 0 for an empty one. Raises StoreError for somebody else's tables."""
    tables = {row[0] for row in con.execute("SELECT table_name FROM information_schema.tables").fetchall()}
    if not tables:
        return 0
    if not {"schema_version", "db_state", "metric_value"} <= tables:
        names = ", ".join(sorted(tables)[:4])
        raise StoreError(f"the file is a DuckDB database, but not one of this program: it holds the tables {names}")
    row = fetch_one(con, "SELECT max(version) FROM schema_version")
    return int(row[0]) if row and row[0] is not None else 0


def check(path: Path, version: int, *, may_create: bool) -> None:
    """Raise StoreError unless a file of this version can be used as it is (version 0 only where it may be created)."""
    newest = newest_version()
    if version > newest:
        raise StoreError(
            f"{path} was written by a newer speakerdb (schema {version}; this one knows {newest}). Update "
            "speakerdb to use it"
        )
    if version == 0 and not may_create:
        raise StoreError(f"{path} is an empty database: nothing has been ingested yet")
    if 0 < version < newest:
        raise StoreError(
            f"{path} has schema {version}, this speakerdb needs {newest}. Run `speakerdb upgrade` once (it "
            "keeps a copy)"
        )


def apply(con: duckdb.DuckDBPyConnection, since: int, migrations: tuple[Migration, ...] | None = None) -> int:
    """Apply every migration above version `since` in one transaction; return the new version."""
    version = since
    con.execute("BEGIN")
    try:
        for migration in available() if migrations is None else migrations:
            if migration.version > since:
                con.execute(migration.sql)
                con.execute(
                    "INSERT INTO schema_version VALUES (?, ?, ?)",
                    [migration.version, dt.datetime.now(dt.UTC).replace(tzinfo=None), __version__],
                )
                version = migration.version
        if version >= _WITH_DIGESTS:
            con.execute("DELETE FROM table_digest")  # of what the tables were before
        con.execute("COMMIT")
    except BaseException:
        con.execute("ROLLBACK")
        raise
    return version


def backup_path(path: Path, version: int) -> Path:
    """Where `upgrade` keeps the copy of a file of the given version; never one that exists."""
    stem = re.sub(r"\.duckdb$", "", path.name)
    candidate, number = path.with_name(f"{stem}.schema{version}.duckdb"), 1
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{stem}.schema{version}-{number}.duckdb")
    return candidate


def copy_beside(path: Path, version: int) -> Path:
    """Copy the closed file beside itself before an upgrade, whole or not at all; return the copy's path."""
    target = backup_path(path, version)
    part = target.with_name(target.name + ".part")
    shutil.copy2(path, part)
    wal = path.with_name(path.name + ".wal")
    if wal.exists():
        shutil.copy2(wal, target.with_name(target.name + ".wal"))
    part.replace(target)
    return target
