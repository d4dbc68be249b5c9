"""Looking after the file as a whole: what is wrong with its content, its tables as files, a copy without dead space."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from speakerdb.store.connection import connect, fetch_one

if TYPE_CHECKING:
    import duckdb

_OWNERS = {
    "curve": "session",
    "sweep": "session",
    "summary_curve": "session",
    "listening_axis": "session",
    "metric_value": "session",
    "uncertainty": "session",
    "own_draw": "session",
    "bench_draw": "session",
    "source_file": "session",
    "pooled_value": "speaker",
    "equalised": "speaker",
    "equalised_value": "speaker",
    "pooled_curve": "speaker",
    "speaker_setting": "speaker",
    "session": "speaker",
    "fact": "speaker",
    "price": "speaker",
    "speaker_alias": "speaker",
}


_EXPORT_ROWS = 50_000  # held in memory at once


def orphans(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str, str]]:
    """(rows, table, owner) where rows of a table belong to no session or speaker."""
    counts = (
        (
            _count(
                con,
                f"SELECT count(*) FROM {table} t WHERE t.{owner}_id IS NOT NULL AND NOT EXISTS "
                f"(SELECT 1 FROM {owner} o WHERE o.{owner}_id = t.{owner}_id)",
            ),
            table,
            owner,
        )
        for table, owner in _OWNERS.items()
    )
    return [found for found in counts if found[0]]


def speakers_without_sessions(con: duckdb.DuckDBPyConnection) -> int:
    """How many speakers have no session, of whatever status."""
    return _count(
        con,
        "SELECT count(*) FROM speaker p WHERE NOT EXISTS (SELECT 1 FROM session s WHERE s.speaker_id = p.speaker_id)",
    )


def long_names(con: duckdb.DuckDBPyConnection, longest: int) -> int:
    """How many speakers have a model or a maker of more than so many characters."""
    return _count(
        con,
        "SELECT count(*) FROM speaker p JOIN maker m USING (maker_id) "
        f"WHERE greatest(length(p.model), length(m.name)) > {longest}",
    )


def sessions_without(con: duckdb.DuckDBPyConnection, table: str) -> int:
    """How many sessions have no rows in a table."""
    return _count(
        con,
        f"SELECT count(*) FROM session s WHERE NOT EXISTS (SELECT 1 FROM {table} t WHERE t.session_id = s.session_id)",
    )


def _count(con: duckdb.DuckDBPyConnection, sql: str) -> int:
    row = fetch_one(con, sql)
    return int(row[0]) if row else 0


def packed_files(con: duckdb.DuckDBPyConnection, session_id: int) -> list[tuple[str, str, int, bytes]]:
    """(name, sha256, size, compressed content) of a session's kept source files."""
    return con.execute("SELECT name, sha256, size, zstd FROM source_file WHERE session_id = ?", [session_id]).fetchall()


def twins(con: duckdb.DuckDBPyConnection) -> list[list[str]]:
    """Sessions that count and hold the same curves."""
    rows = con.execute(
        "SELECT list_sort(list(session)) FROM session WHERE status = 'active' GROUP BY content_hash HAVING count(*) > 1"
    ).fetchall()
    return [names for (names,) in rows]


def fact_conflicts(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str, int]]:
    """(slug, fact, value in use, how many different ones are given)."""
    return con.execute(
        "SELECT s.slug, c.name, c.value, c.distinct_values FROM current_fact c JOIN speaker s USING (speaker_id) "
        "WHERE c.distinct_values > 1 ORDER BY 1, 2"
    ).fetchall()


def export_tables(con: duckdb.DuckDBPyConnection, folder: Path) -> list[Path]:
    """Every table as a Parquet file (Zstandard) in a folder."""
    import pyarrow.parquet as pq

    tables = con.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE' ORDER BY 1"
    ).fetchall()
    files = []
    for (table,) in tables:
        file = folder / f"{table}.parquet"
        batches = con.sql(f"SELECT * FROM {table}").to_arrow_reader(_EXPORT_ROWS)
        with pq.ParquetWriter(file, batches.schema, compression="zstd") as writer:
            for batch in batches:
                writer.write_batch(batch)
        files.append(file)
    return files


def checkpoint(path: Path) -> None:
    """Write what stands beside the file in its log into the file."""
    con = connect(path, write=True)
    try:
        con.execute("CHECKPOINT")
    finally:
        con.close()


def copy_without_dead_space(path: Path, target: Path) -> None:
    """All that the file holds into a new one."""
    con = connect(path, write=True, beside=target.absolute().parent)
    try:
        con.execute(f"ATTACH '{_quoted(target)}' AS compacted")
        name = fetch_one(con, "SELECT current_database()")
        assert name is not None
        con.execute(f'COPY FROM DATABASE "{name[0]}" TO compacted')
        con.execute("DETACH compacted")
    finally:
        con.close()


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")
