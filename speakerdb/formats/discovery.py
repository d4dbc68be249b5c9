"""Finds session folders."""

from __future__ import annotations

import os
from pathlib import Path

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats.sheet import Sheet
from speakerdb.formats.view import SESSION_FILE


def find_sessions(folder: Path, sheet: Sheet | None = None) -> list[Path]:
    """Every session folder at or below a folder, sorted. Raises DataError where there is none."""
    if not folder.is_dir():
        what = "a file" if folder.exists() else "no such folder"
        raise _error(folder, what, "a session folder, or a folder of session folders")
    found = []
    for place, inner, files in os.walk(folder):
        inner[:] = sorted(n for n in inner if not n.startswith("."))
        if SESSION_FILE in files:
            found.append(Path(place))
    if not found:
        raise _error(folder, "no session folder in it", "session.toml beside responses.csv, .csv.gz, .parquet or .sofa")
    return sorted(found)


def _error(folder: Path, found: str, expected: str) -> DataError:
    item = ErrorItem(folder=str(folder), found=found, expected=expected)
    return DataError(f"{folder}: found {found}; expected {expected}", (item,))
