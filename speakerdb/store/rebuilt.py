"""Writing a file that is made anew from another's rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from speakerdb.store.connection import OF_SESSIONS, of_sessions
from speakerdb.store.reading import frame
from speakerdb.store.writing import id_of

if TYPE_CHECKING:
    import duckdb
    import polars as pl


_NUMBERED = frozenset({"maker", "lab", "speaker", "fact", "price"})  # tables whose rows have a number of their own


def session_ids(con: duckdb.DuckDBPyConnection) -> set[int]:
    return {int(row[0]) for row in con.execute("SELECT session_id FROM session").fetchall()}


def rows(con: duckdb.DuckDBPyConnection, table: str, of: Sequence[int] | None = None) -> pl.DataFrame:
    """All rows of a table, or those of some sessions."""
    if of is None:
        return frame(con, f"SELECT * FROM {table}")
    return frame(con, f"SELECT * FROM {table} WHERE {OF_SESSIONS}", of_sessions(of))


def put(con: duckdb.DuckDBPyConnection, table: str, others: pl.DataFrame) -> None:
    """Add rows of another file's table: of its columns those that are here, of its rows those that can stand."""
    if not len(others) or not others.columns:
        return
    known = con.execute(
        "SELECT column_name, is_nullable FROM duckdb_columns() WHERE table_name = ?", [table]
    ).fetchall()
    needed = [name for name, nullable in known if not nullable]
    if not set(needed) <= set(others.columns):
        return
    names = [name for name, _ in known if name in others.columns]
    con.register("incoming", others.drop_nulls(needed).select(names).to_arrow())
    listed = ", ".join(f'"{n}"' for n in names)
    ignoring = " OR IGNORE" if table in _NUMBERED else ""  # of two rows of one number, the first
    con.execute(f"INSERT{ignoring} INTO {table} ({listed}) SELECT {listed} FROM incoming")
    con.unregister("incoming")


def clear(con: duckdb.DuckDBPyConnection, table: str) -> None:
    con.execute(f"DELETE FROM {table}")


def number_metrics(con: duckdb.DuckDBPyConnection, numbers: Mapping[str, int]) -> None:
    """Give metrics the numbers that they have in another file."""
    rows = con.execute("SELECT * FROM metric ORDER BY metric_no").fetchall()
    taken = {numbers[row[1]] for row in rows if row[1] in numbers}
    free = iter(n for n in range(1, 10_000) if n not in taken)
    con.execute("DELETE FROM metric")
    con.executemany(
        "INSERT INTO metric VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [[numbers.get(row[1]) or next(free), *row[1:]] for row in rows],
    )


class Told(NamedTuple):
    """What a session calls its speaker."""

    slug: str
    maker: str
    model: str


def name_speakers(con: duckdb.DuckDBPyConnection, told: Mapping[int, Sequence[Told]]) -> None:
    """See to it that each speaker is there and is found by what its sessions call it."""
    there = {
        i: (slug, model) for i, slug, model in con.execute("SELECT speaker_id, slug, model FROM speaker").fetchall()
    }
    for speaker_id, names in told.items():
        if speaker_id not in there:
            # a row that no session knows and that holds the same model is this one under another number
            strays = [i for i, (_, model) in there.items() if i not in told and model == names[0].model]
            if strays:
                con.execute("UPDATE speaker SET speaker_id = ? WHERE speaker_id = ?", [speaker_id, strays[0]])
                there[speaker_id] = there.pop(strays[0])
            else:
                _add_speaker(con, speaker_id, names[0])
                there[speaker_id] = (names[0].slug, names[0].model)
        _call_speaker(con, speaker_id, [n.slug for n in names])


def _add_speaker(con: duckdb.DuckDBPyConnection, speaker_id: int, name: Told) -> None:
    con.execute("DELETE FROM speaker_alias WHERE alias = ?", [name.slug])
    maker = id_of(con, "maker", "maker_id", name.maker)
    con.execute("INSERT INTO speaker VALUES (?, ?, ?, ?)", [speaker_id, maker, name.slug, name.model])


def _call_speaker(con: duckdb.DuckDBPyConnection, speaker_id: int, slugs: Sequence[str]) -> None:
    """Where a speaker's slug is none that its sessions tell, nor any of those an earlier name, the slug was altered and
    is set right; else the others are earlier names."""
    (slug,) = con.execute("SELECT slug FROM speaker WHERE speaker_id = ?", [speaker_id]).fetchall()[0]
    mine = con.execute("SELECT alias FROM speaker_alias WHERE speaker_id = ?", [speaker_id]).fetchall()
    aliases = {alias for (alias,) in mine}
    taken = {s for (s,) in con.execute("SELECT slug FROM speaker").fetchall()}
    unknown = [s for s in slugs if s != slug and s not in aliases and s not in taken]
    if unknown and slug not in slugs and not aliases & set(slugs):
        con.execute("UPDATE speaker SET slug = ? WHERE speaker_id = ?", [unknown[0], speaker_id])
        unknown = unknown[1:]
    for earlier in unknown:
        con.execute("INSERT INTO speaker_alias VALUES (?, ?)", [earlier, speaker_id])


def keep_heads(con: duckdb.DuckDBPyConnection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Give sessions what no source file tells of them: whether they count, since when, from which folder."""
    for row in rows:
        con.execute(
            "UPDATE session SET status = $status, status_reason = $status_reason, status_since = $status_since, "
            "folder = coalesce($folder, folder), ingested_at = coalesce($ingested_at, ingested_at), "
            "ledger = $ledger WHERE session_id = $session_id",
            dict(row),
        )
