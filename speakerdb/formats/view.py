"""A folder as names and bytes, each file read once; what was read is kept as the session's sources."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable
from pathlib import Path

from speakerdb.formats.problems import Problems
from speakerdb.session import SourceFile

MAX_FILE_BYTES = 200_000_000  # a file beyond this is a mistake or an attack, not a table of curves
MAX_FOLDER_BYTES = 400_000_000
MAX_FILES = 5_000
FOLDER_FILE = "folder.toml"
SESSION_FILE = "session.toml"
SHEET_FILE = "sessions.csv"  # the usual name of a sheet: never a table of measurements


class FolderView:
    """The files of one session: those in its folder and its immediate subfolders, and every folder.toml above it.

    `names` are relative with forward slashes, sorted. A folder.toml of the n-th parent is called "../" n times and its
    name.
    """

    def __init__(self, folder: str, names: Iterable[str], inherited: Iterable[str]) -> None:
        self.folder = folder
        self.names = tuple(sorted(names))
        self.inherited = tuple(inherited)  # nearest first
        self._read: dict[str, SourceFile] = {}
        self._total = 0

    def _fetch(self, name: str) -> bytes:
        raise NotImplementedError

    def read(self, name: str, problems: Problems) -> bytes | None:
        """The bytes of a file, None with a problem noted where it cannot be read."""
        if name in self._read:
            return self._read[name].content
        try:
            content = self._fetch(name)
        except (OSError, ValueError) as error:
            reason = error.strerror or str(error) if isinstance(error, OSError) else str(error)
            problems.add(f"a file that cannot be read ({reason})", "a readable file", file=name)
            return None
        self._total += len(content)
        if self._total > MAX_FOLDER_BYTES:
            problems.add("too much data in one folder", f"at most {MAX_FOLDER_BYTES // 10**6} MB", file=name)
            return None
        self._read[name] = SourceFile(name, hashlib.sha256(content).hexdigest(), content)
        return content

    def add(self, name: str, content: bytes) -> None:
        """Keep bytes that do not stand in the folder itself (a row of the sheet) among the sources."""
        self._read[name] = SourceFile(name, hashlib.sha256(content).hexdigest(), content)

    def sources(self) -> tuple[SourceFile, ...]:
        return tuple(self._read.values())


class DiskFolder(FolderView):
    """A folder on disk; without: a sheet that may lie in it and is none of its tables. Raises OSError where it cannot
    be listed."""

    def __init__(self, folder: Path, without: Path | None = None) -> None:
        self.path = Path(os.path.abspath(folder))
        sheets = {self.path / SHEET_FILE, *([Path(os.path.abspath(without))] if without is not None else [])}
        self._actual = {readable(name): name for name in _regular_files(self.path) if self.path / name not in sheets}
        super().__init__(readable(str(folder)), self._actual, _inherited(self.path))

    def _fetch(self, name: str) -> bytes:
        path = self.path / self._actual.get(name, name)
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            raise ValueError("not a regular file")
        if state.st_size > MAX_FILE_BYTES:
            raise ValueError(f"{state.st_size / 1e6:.0f} MB, more than {MAX_FILE_BYTES // 10**6} MB")
        return path.read_bytes()

    def size(self, name: str) -> int:
        """Bytes of a file, 0 where it is gone."""
        try:
            return (self.path / self._actual.get(name, name)).stat().st_size
        except OSError:
            return 0


class KeptFolder(FolderView):
    """The source files of a stored session."""

    def __init__(self, folder: str, sources: Iterable[SourceFile]) -> None:
        self._kept = {s.name: s.content for s in sources}
        own = [n for n in self._kept if not n.startswith("../")]
        above = [n for n in self._kept if n.startswith("../")]
        inherited = [n for n in own if n == FOLDER_FILE] + sorted(above, key=lambda n: n.count("../"))
        super().__init__(folder, own, inherited)

    def _fetch(self, name: str) -> bytes:
        return self._kept[name]


def readable(name: str) -> str:
    """A file's name as text: bytes that are not UTF-8 (old disks) are taken for Latin-1."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return os.fsencode(name).decode("latin-1")
    return name


def _regular_files(folder: Path) -> list[str]:
    """Files of a folder and its immediate subfolders; an unreadable subfolder has none. Raises OSError for the
    folder."""
    names = []
    for entry in _visible(folder):
        if entry.is_file():
            names.append(entry.name)
        elif entry.is_dir(follow_symlinks=False):
            try:
                names += [f"{entry.name}/{inner.name}" for inner in _visible(Path(entry.path)) if inner.is_file()]
            except OSError:
                continue
        if len(names) > MAX_FILES:
            raise OSError(errno.EFBIG, f"more than {MAX_FILES} files")
    return names


def _visible(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return [e for e in entries if not e.name.startswith(".")]


def _inherited(folder: Path) -> list[str]:
    """Every folder.toml from the folder itself upward, nearest first, named relative to the folder."""
    found = []
    for up, place in enumerate((folder, *folder.parents)):
        if (place / FOLDER_FILE).is_file():
            found.append("../" * up + FOLDER_FILE)
    return found
