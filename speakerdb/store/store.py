"""The store: one open file, its transactions and its state. It knows no acoustics and no statistics."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from speakerdb.errors import RequestError, StoreError
from speakerdb.store import connection, digests, file_tables, migrations, queries, reading, views, writing
from speakerdb.store.connection import fetch_one

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_NAMED = 5  # foreign things that are named


def _refuse_strangers(path: Path, found: Sequence[str]) -> None:
    """Raise StoreError for a file that holds tables, views or schemas that are none of this program's."""
    if found:
        raise StoreError(
            f"{path} holds what this program did not put there, or lacks what it did: {', '.join(found[:_NAMED])}. It "
            "is not opened; `speakerdb repair` writes a new file with what is this program's own"
        )


class Store:
    """An open database file. Use as a context manager or call close().

    steady: nobody can change the file while it is open, so its state is looked up once.
    """

    def __init__(self, path: Path, con: duckdb.DuckDBPyConnection, *, write: bool, steady: bool = False) -> None:
        self.path, self.con, self.write, self.steady = path, con, write, steady
        self._state: reading.State | None = None
        views.put_ours(con)

    @classmethod
    def open(cls, path: Path, *, write: bool, wait_s: float | None = None) -> Store:
        """Open for reading, or for writing (then an absent or empty file is made). Raises StoreError."""
        con = connection.connect(path, write=write, wait_s=wait_s)
        try:
            version = migrations.version_of(con)
            migrations.check(path, version, may_create=write)
            if version == 0:
                migrations.apply(con, 0)
            _refuse_strangers(path, file_tables.foreign(con))
            store = cls(path, con, write=write, steady=not write)  # a reader keeps writers out
            _refuse_strangers(path, views.foreign(con))
            if write:
                with store.transaction():
                    writing.sync_dictionary(con)
        except BaseException:
            con.close()
            raise
        return store

    def close(self) -> None:
        self.con.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def reader(self) -> Store:
        """A second view of the open file, for another thread: it sees only what is committed. Close it before this
        one."""
        return Store(self.path, self.con.cursor(), write=False, steady=self.steady)

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[None]:
        """All that is read inside belongs to one state of the file, even while another thread writes."""
        self.con.execute("BEGIN TRANSACTION READ ONLY")
        try:
            self.state()  # DuckDB fixes what a transaction sees at its first look
            yield
        finally:
            self.con.execute("ROLLBACK")

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All of it or nothing; the state id is renewed within, so that it can't disagree with the content."""
        import duckdb

        if not self.write:
            raise StoreError(f"{self.path} is open for reading only")
        self.con.execute("BEGIN")
        try:
            yield
            self._renew_state()
            digests.renew(self.con)
            self.con.execute("COMMIT")
        except BaseException as error:
            with contextlib.suppress(duckdb.Error):
                self.con.execute("ROLLBACK")
            if isinstance(error, duckdb.IOException | duckdb.FatalException):
                raise StoreError(f"{self.path}: {connection.in_words(error)}") from None
            raise

    def is_sound(self) -> bool:
        """Whether the connection still answers; after a fault of the database it does not."""
        import duckdb

        try:
            fetch_one(self.con, "SELECT 1")
        except duckdb.Error:
            return False
        return True

    def _renew_state(self) -> None:
        """State id: a fold of the keys and contents of all that counts, of the error model and of which sessions have
        their intervals and which speakers their filters; blind to ids, times and order of ingest."""
        row = fetch_one(
            self.con,
            """
            SELECT sum(h::HUGEINT), (SELECT count(DISTINCT speaker_id) FROM session WHERE status = 'active') FROM (
                SELECT md5_number_lower(concat_ws('|', session, content_hash, status, error_model)) AS h FROM session
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'error model', version, part, factor)) FROM error_model
                    WHERE version = (SELECT max(version) FROM error_model)
                UNION ALL
                    SELECT md5_number_lower(concat_ws('|', 'alignment', version, bench, to_bench, offset_db::VARCHAR))
                    FROM bench_alignment WHERE version = (SELECT max(version) FROM error_model)
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'fact', slug, name, value, date, source))
                    FROM fact JOIN speaker USING (speaker_id) WHERE session_id IS NULL
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'price', slug, amount, currency, per, kind, date))
                    FROM price JOIN speaker USING (speaker_id)
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'speaker', slug)) FROM speaker
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'equalised', slug, setting, basis))
                    FROM equalised JOIN speaker USING (speaker_id)
                UNION ALL SELECT md5_number_lower(concat_ws('|', 'metric', id, version)) FROM metric)
            """,
        )
        assert row is not None
        state = f"{(row[0] or 0) & 0xFFFFFFFFFF:010x}"
        old = reading.state_of(self.con)
        if old.state != state or old.speakers != row[1]:
            self.con.execute("DELETE FROM db_state")
            self.con.execute(
                "INSERT INTO db_state VALUES (?, ?, ?)", [state, row[1], dt.datetime.now(dt.UTC).replace(tzinfo=None)]
            )

    def state(self) -> reading.State:
        if self._state is None or not self.steady:
            self._state = reading.state_of(self.con)
        return self._state

    def sessions(self) -> int:
        """How many sessions stand."""
        row = fetch_one(self.con, "SELECT count(*) FROM session WHERE status = 'active'")
        return int(row[0]) if row else 0

    def frame(self, sql: str, params: object = None) -> pl.DataFrame:
        return reading.frame(self.con, sql, params)

    def run_query(self, name: str, given: Mapping[str, str], folder: Path | None = None) -> queries.Found:
        """Run a named query with bound parameters; folder: of the user's own. Raises UnknownNameError, RequestError."""
        query = queries.find(name, folder)
        import duckdb
        import polars as pl

        values = queries.bind(query, given)
        none = pl.DataFrame(schema={"reason": pl.String, "speakers": pl.Int64})
        try:
            rows = self.frame(query.sql, queries.used(query.sql, values) or None)
            rest = query.left_out_sql
            left_out = self.frame(rest, queries.used(rest, values) or None) if rest else none
            return queries.Found(query, rows, left_out)
        except duckdb.PermissionException:
            raise RequestError(
                f"query {name} asks for a file, the network or an extension; a query reads this database alone"
            ) from None
        except duckdb.Error as error:  # e.g. a negative limit
            reason = str(error).strip().splitlines()[0].partition(": ")[2]
            raise RequestError(f"query {name} can't be run with these parameters: {reason}") from None
