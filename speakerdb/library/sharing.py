"""Several readers on one open file: each with its own view of what is committed."""

from __future__ import annotations

from speakerdb.library.database import Database


def reader_of(base: Database) -> Database:
    """A second Database on the file that `base` holds open, for reading, for use by another thread.

    It sees only what is committed, also while `base` writes. Close it before `base`.
    """
    return Database(base.store.reader())


def carry_over(old: Database, new: Database) -> None:
    """Give a reader what an earlier one had read of the field, where the file is still in the same state."""
    kept = old._field
    if kept is not None and kept[0] == new.state.state:
        kept[1]._store = new.store
        new._field = kept
