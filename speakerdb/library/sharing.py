"""Several readers on one open file: each with its own view of what is committed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from speakerdb.library.database import Database
from speakerdb.store import Store


def reader_of(base: Database) -> Database:
    """A second Database on the file that `base` holds open, for reading, for use by another thread.

    It sees only what is committed, also while `base` writes. Close it before `base`.
    """
    return Database(Store(base.store.path, base.store.con.cursor(), write=False, steady=base.store.steady))


def carry_over(old: Database, new: Database) -> None:
    """Give a reader what an earlier one had read of the field, where the file is still in the same state."""
    kept = old._field
    if kept is not None and kept[0] == new.state.state:
        kept[1]._store = new.store
        new._field = kept


@contextmanager
def snapshot(reader: Database) -> Iterator[None]:
    """All that is read inside belongs to one state of the file, even while another thread stores sessions."""
    reader.store.con.execute("BEGIN TRANSACTION READ ONLY")
    try:
        reader.store.state()  # DuckDB fixes what a transaction sees at its first look
        yield
    finally:
        reader.store.con.execute("ROLLBACK")
