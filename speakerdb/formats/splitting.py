"""Several sessions in one folder, told apart by {session} in the names of their files: each is read as a folder of its
own, called folder/NAME, which need not exist."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from speakerdb.formats.columns import OTHER_TABLES
from speakerdb.formats.keys import READING_TABLES, Keys, check
from speakerdb.formats.patterns import SESSION, Pattern, compile_pattern, same_form, words_of
from speakerdb.formats.problems import Problems
from speakerdb.formats.toml_files import parse_toml
from speakerdb.formats.view import DiskFolder, FolderView


def open_folder(folder: Path, without: Path | None = None, top: Path | None = None) -> DiskFolder | None:
    """A folder on disk, or the part of the folder around it that belongs to a session of that name; None where there is
    neither. Raises OSError where it can't be listed."""
    if folder.is_dir():
        return DiskFolder(folder, without, top=top)
    if not folder.parent.is_dir():
        return None
    around = DiskFolder(folder.parent, without, top=top)
    patterns = _patterns(around)
    wanted = same_form(folder.name)
    if not any(_form(patterns, name) == wanted for name in around.names):
        return None
    return DiskFolder(folder.parent, without, called=folder, top=top, only=lambda n: _form(patterns, n) == wanted)


def sessions_in(view: FolderView) -> list[str]:
    """The names of the sessions whose files lie together in a folder; none where nothing tells them apart."""
    return _sessions(view, _patterns(view))


def parted(place: Path, view: FolderView, patterns: list[Pattern]) -> list[tuple[Path, DiskFolder]]:
    """The sessions in a folder, each with the part of the folder that is its own; the folder itself where it holds
    one."""

    def part(session: str) -> DiskFolder:
        wanted = same_form(session)
        return DiskFolder(place, called=place / session, only=lambda name: _form(patterns, name) == wanted)

    return [(place / session, part(session)) for session in _sessions(view, patterns)]


def _sessions(view: FolderView, patterns: list[Pattern]) -> list[str]:
    found = [s for name in view.names if (s := _session_of(patterns, name)) is not None]
    return sorted({same_form(s): s for s in reversed(found)}.values())


def _form(patterns: list[Pattern], name: str) -> str | None:
    session = _session_of(patterns, name)
    return None if session is None else same_form(session)


def _session_of(patterns: list[Pattern], name: str) -> str | None:
    for pattern in patterns:
        texts = pattern.texts(name)
        if texts is not None:
            return texts[SESSION]
    return None


def _patterns(view: FolderView) -> list[Pattern]:
    """The patterns of the folder's keys that hold {session}."""
    said, sound = reading_keys(view, Problems(""))
    if not sound:
        return []
    columns: Mapping[str, Any] = said.get("columns", {})
    traces: Mapping[str, Any] = said.get("traces", {})
    texts = [(traces["pattern"], traces)] if "pattern" in traces else []
    texts += [(part["file"], {**columns, **part}) for part in (columns, *_tables(columns)) if "file" in part]
    return [compile_pattern(text, words_of(words)) for text, words in texts if "{" + SESSION + "}" in text]


def reading_keys(view: FolderView, problems: Problems) -> tuple[dict[str, Any], bool]:
    """[columns] and [traces] of every folder.toml that counts for a folder, and whether they are sound. A file that
    can't be read is noted."""
    keys = Keys()
    for name in reversed(view.inherited):
        content = view.read(name, problems)
        parsed = parse_toml(name, content, problems) if content is not None else None
        if parsed is not None:
            keys.fold_in(parsed.keys, parsed)
    tables = Keys({k: v for k, v in keys.values.items() if k in READING_TABLES}, keys.origins)
    sound = not check(tables, Problems("")) & READING_TABLES
    return tables.values, sound  # as the check leaves them: 1.0 where a whole number is meant is 1


def _tables(columns: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [columns[t] for t in OTHER_TABLES if isinstance(columns.get(t), dict)]
