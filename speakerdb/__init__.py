"""speakerdb: a cross-speaker measurement database with honest statistics."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb.version import __version__

if TYPE_CHECKING:
    from pathlib import Path

    from speakerdb.library import Database


__all__ = ["__version__", "open"]


def open(path: str | Path = "speakers.duckdb", *, write: bool = False) -> Database:
    """Open (with write=True also make) a database and return its `Database`: methods give polars frames."""
    from speakerdb.library import Database

    return Database.open(path, write=write)
