"""Finds session folders."""

from __future__ import annotations

import os
from pathlib import Path

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats.problems import Problems
from speakerdb.formats.responses import find_responses
from speakerdb.formats.session_sheet import Sheet
from speakerdb.formats.splitting import reading_keys, sessions_in
from speakerdb.formats.view import SESSION_FILE, DiskFolder


def find_sessions(folder: Path, sheet: Sheet | None = None) -> list[Path]:
    """Every session folder at or below a folder, sorted.

    A folder is one when it holds session.toml, when a row of the sheet names it, or when a folder.toml in it or above
    it tells how to read the files that lie in it. Folders that a sheet names but that are not there, and folders that
    cannot be listed, are given too: reading them says so. Raises DataError where there is nothing at all.
    """
    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise _error(folder, found, "a session folder, or a folder of session folders")
    by_sheet = _named_by(sheet, folder)
    sessions = set(by_sheet.values())
    known = set(by_sheet)
    unreadable: list[Path] = []
    for place, inner, files in os.walk(folder, onerror=lambda e: unreadable.append(Path(e.filename))):
        inner[:] = [n for n in inner if not n.startswith(".")]
        path = Path(place)
        if os.path.realpath(path) in known:
            continue
        if SESSION_FILE in files:
            sessions.add(path)
            known.add(os.path.realpath(path))
        elif not _inside(path, folder, known):
            sessions |= _told_by_folder_toml(path, folder, sheet, leaf=not inner)
    sessions |= set(unreadable)
    if not sessions:
        expected = (
            "session.toml beside responses.csv, .csv.gz, .parquet, .sofa or a folder responses/ of text traces; "
            "for other files `--propose` writes a folder.toml and a sheet to start from"
        )
        raise _error(folder, "no session folder in it", expected)
    return sorted(sessions)


def _named_by(sheet: Sheet | None, folder: Path) -> dict[str, Path]:
    """Folders that the sheet names at or below a folder, or nowhere: real path -> path."""
    named = {}
    top = os.path.realpath(folder)
    for row in sheet.rows if sheet is not None else ():
        path = sheet.place(row, folder) if sheet is not None else folder
        real = os.path.realpath(path)
        if real == top or real.startswith(top.rstrip(os.sep) + os.sep) or not path.is_dir():
            relative = os.path.relpath(real, top)
            named[real] = folder / relative if not relative.startswith("..") else path
    return named


def _inside(path: Path, top: Path, known: set[str]) -> bool:
    """Whether a folder lies inside one that is a session by its session.toml or the sheet: its files belong to that."""
    parents = [p for p in path.parents if p == top or p.is_relative_to(top)]
    return any(os.path.realpath(p) in known for p in parents)


def _told_by_folder_toml(path: Path, top: Path, sheet: Sheet | None, *, leaf: bool) -> set[Path]:
    """The folder, or the sessions whose files lie in it together, where a folder.toml in it or above it says how to
    read the files that lie in it; else nothing."""
    try:
        view = DiskFolder(path, sheet.path if sheet is not None else None, top=top)
    except OSError:
        return {path}
    if not view.inherited:
        return set()
    problems = Problems(str(path))
    said, sound = reading_keys(view, problems)
    if problems.items or not sound:  # a folder of files is then listed as refused, with the reason
        told = leaf and any(not name.endswith(".toml") for name in view.names)
    else:
        told = find_responses(view, said, problems) is not None or bool(problems.items)
    return ({path / name for name in sessions_in(view)} or {path}) if told else set()


def _error(folder: Path, found: str, expected: str) -> DataError:
    item = ErrorItem(folder=str(folder), found=found, expected=expected)
    return DataError(f"{folder}: found {found}; expected {expected}", (item,))
