"""A digest of each table that nothing else in the file could restore, renewed with every change, so that `verify` sees
what was altered behind the program's back (method:data#checking)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb.store.connection import fetch_one

if TYPE_CHECKING:
    import duckdb

# what is said and decided, not computed; kept source files have digests of their own
KEPT_TABLES = (
    "session",
    "speaker",
    "speaker_alias",
    "maker",
    "lab",
    "fact",
    "price",
    "metric",
    "error_model",
    "bench_alignment",
    "schema_version",
)


def _digest(con: duckdb.DuckDBPyConnection, table: str) -> str:
    row = fetch_one(con, f"SELECT count(*), coalesce(sum(hash(t)), 0) FROM {table} t")
    assert row is not None
    return f"{row[0]}:{row[1]}"


def _library(con: duckdb.DuckDBPyConnection) -> str:
    """The hash is the library's own: another version may count otherwise."""
    row = fetch_one(con, "SELECT version()")
    assert row is not None
    return str(row[0])


def renew(con: duckdb.DuckDBPyConnection) -> None:
    """Digests of the tables as they are now; the caller holds the transaction."""
    library = _library(con)
    con.execute("DELETE FROM table_digest")
    rows = [(table, _digest(con, table), library) for table in KEPT_TABLES]
    con.executemany("INSERT INTO table_digest VALUES (?, ?, ?)", rows)


def altered(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Tables whose rows are not those that were written last; none where that can't be told."""
    rows = con.execute("SELECT name, digest, library FROM table_digest").fetchall()
    library = _library(con)
    known = {name: digest for name, digest, by in rows if by == library}
    return [table for table in KEPT_TABLES if table in known and known[table] != _digest(con, table)]
