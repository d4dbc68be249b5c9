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
    return Database(Store(base.store.path, base.store.con.cursor(), write=False))


@contextmanager
def snapshot(reader: Database) -> Iterator[None]:
    """All that is read inside belongs to one state of the file, even while another thread stores sessions."""
    reader.store.con.execute("BEGIN TRANSACTION READ ONLY")
    try:
        yield
    finally:
        reader.store.con.execute("ROLLBACK")
