"""Reading a file that may be damaged, as far as it goes: whatever can't be read is told, and the rest still is."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from speakerdb.errors import StoreError
from speakerdb.store import connection, digests, reading
from speakerdb.store.writing import decompress

if TYPE_CHECKING:
    import duckdb
    import polars as pl


# what sessions say of themselves
HEADS = (
    "SELECT s.session_id, s.session, s.content_hash, l.name AS lab, s.* EXCLUDE (session_id, session, content_hash) "
    "FROM session s LEFT JOIN lab l USING (lab_id) ORDER BY s.session_id"
)


class Salvage:
    """A file opened for reading. After a fault the library gives up its connection; another is made then.

    lost: what could not be read so far, in words.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.lost: list[str] = []
        self._con: duckdb.DuckDBPyConnection | None = None

    @property
    def con(self) -> duckdb.DuckDBPyConnection:
        """Raises StoreError where the file can't be opened at all."""
        if self._con is None:
            self._con = connection.connect(self.path, write=False)
        return self._con

    def close(self) -> None:
        if self._con is not None:
            with contextlib.suppress(Exception):
                self._con.close()
            self._con = None

    def __enter__(self) -> Salvage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def frame(self, sql: str, params: object = None) -> pl.DataFrame | None:
        """The rows of a statement; None where they can't be read."""
        import duckdb

        try:
            return reading.frame(self.con, sql, params)
        except StoreError:
            raise
        except (duckdb.Error, UnicodeDecodeError, ValueError, OverflowError):
            self.close()
            return None

    def altered(self) -> list[str]:
        """Tables whose rows are not those that were written last, as far as that can be told."""
        import duckdb

        try:
            return digests.altered(self.con)
        except duckdb.Error:
            self.close()
            return []

    def sessions_with_files(self) -> list[int]:
        """The sessions of which source files are kept."""
        rows = self.frame("SELECT DISTINCT session_id FROM source_file ORDER BY session_id")
        return [] if rows is None else rows["session_id"].to_list()

    def lab(self, lab_id: int) -> str | None:
        """A lab's name."""
        rows = self.frame("SELECT name FROM lab WHERE lab_id = $1", [lab_id])
        return str(rows["name"][0]) if rows is not None and len(rows) else None

    def reads_whole(self, table: str) -> bool:
        """Whether every block of a table can be read."""
        return self.frame(f"SELECT sum(hash(t)) FROM {table} t") is not None

    def tables(self) -> list[str]:
        found = self.frame(
            "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE' ORDER BY table_name"
        )
        return [] if found is None else found["table_name"].to_list()

    def table(self, name: str) -> pl.DataFrame:
        """A table, without the columns that can't be read; a table of which nothing can be read has no columns."""
        import polars as pl

        whole = self.frame(f"SELECT * FROM {name}")
        if whole is not None:
            return whole
        columns = self.frame("SELECT column_name FROM duckdb_columns() WHERE table_name = $1", [name])
        kept, gone = [], []
        for column in [] if columns is None else columns["column_name"].to_list():
            one = self.frame(f'SELECT "{column}" FROM {name}')
            if one is None:
                gone.append(column)
            else:
                kept.append(one)
        self.lost.append(f"table {name}: {', '.join(gone) or 'its rows'} can't be read")
        return pl.concat(kept, how="horizontal") if kept else pl.DataFrame()

    def rows_of(self, table: str, session_ids: Sequence[int]) -> Iterator[tuple[Sequence[int], pl.DataFrame | None]]:
        """The rows of sessions: of all of them at once, or of each by itself where that fails (None: can't be
        read)."""
        ids = [int(i) for i in session_ids]
        sql = f"SELECT * FROM {table} WHERE {connection.OF_SESSIONS}"
        together = self.frame(sql, connection.of_sessions(ids))
        if together is not None:
            yield ids, together
            return
        for one in ids:
            yield [one], self.frame(sql, connection.of_sessions([one]))

    def files(self, session_id: int) -> dict[str, tuple[str, bytes | None]] | None:
        """name -> (SHA-256, content or None where it can't be unpacked) of a session's kept files; None where the rows
        can't be read."""
        rows = self.frame("SELECT name, sha256, zstd FROM source_file WHERE session_id = $1", [session_id])
        if rows is None:
            heads = self.frame("SELECT name, sha256 FROM source_file WHERE session_id = $1", [session_id])
            return None if heads is None else {name: (sha, None) for name, sha in heads.iter_rows()}
        found: dict[str, tuple[str, bytes | None]] = {}
        for name, sha, packed in rows.iter_rows():
            try:
                found[name] = (sha, decompress(packed))
            except StoreError:
                found[name] = (sha, None)
        return found
