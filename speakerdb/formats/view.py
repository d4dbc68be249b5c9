"""A folder as names and bytes, each file read once; what was read is kept as the session's sources."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from speakerdb.files import read_file
from speakerdb.formats.archives import ARCHIVE_SUFFIX, members, read_member
from speakerdb.formats.problems import Problems
from speakerdb.session import SourceFile

MAX_FOLDER_BYTES = 400_000_000
MAX_FILES = 5_000
FOLDER_FILE = "folder.toml"
SESSION_FILE = "session.toml"
RAW_FILE = "raw.toml"  # how raw recordings were made: what they lie in is no session yet
PREPARED_FILE = "prepared.toml"  # the choices that a prepared session rests on
IMPULSES = "impulses/"
SHEET_FILE = "sessions.csv"  # the usual name of a sheet: never a table of measurements


class FolderView:
    """The files of one session: those in its folder, its immediate subfolders and archives, and every folder.toml above
    it.

    `names` are relative with forward slashes, sorted. A folder.toml of the n-th parent is called "../" n times and its
    name. `roles` says what files were read as, `passed` what stands there and is no file to be read, with the reason.
    """

    def __init__(self, folder: str, names: Iterable[str], inherited: Iterable[str]) -> None:
        self.folder = folder
        self.names = tuple(sorted(names))
        self.inherited = tuple(inherited)  # nearest first
        self.roles: dict[str, str] = {}
        self.passed: list[tuple[str, str]] = []
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

    def peek(self, name: str, limit: int) -> bytes | None:
        """The bytes of a file that is not to be kept; None where it can't be read or is larger than the limit."""
        try:
            content = self._fetch(name)
        except (OSError, ValueError):
            return None
        return content if len(content) <= limit else None

    def add(self, name: str, content: bytes) -> None:
        """Keep bytes that do not stand in the folder itself (a row of the sheet) among the sources."""
        self._read[name] = SourceFile(name, hashlib.sha256(content).hexdigest(), content)

    def sources(self) -> tuple[SourceFile, ...]:
        return tuple(self._read.values())


class DiskFolder(FolderView):
    """A folder on disk; without: a sheet that may lie in it and is none of its tables; called: what it is called where
    it is a part of a folder, only: which names belong to that part; top: how far up a folder.toml counts (default: not
    beyond the folder). Raises OSError where it cannot be listed."""

    def __init__(
        self,
        folder: Path,
        without: Path | None = None,
        *,
        called: Path | None = None,
        top: Path | None = None,
        only: Callable[[str], bool] = lambda _: True,
    ) -> None:
        self.path = Path(os.path.abspath(folder))
        sheets = {self.path / SHEET_FILE, *([Path(os.path.abspath(without))] if without is not None else [])}
        names, passed = _files_of(self.path)
        names, self._members, more = _opened(self.path, names)
        passed += more
        names = [n for n in names if only(readable(n))] if called is not None else names
        self._actual = {readable(name): name for name in names if self.path / name not in sheets}
        inherited = _inherited(self.path, Path(os.path.abspath(top or folder)))
        super().__init__(readable(str(called or folder)), self._actual, inherited)
        self.passed = [(readable(name), reason) for name, reason in passed] if called is None else []
        self.passed += [(readable(name), "a sheet of sessions") for name in names if self.path / name in sheets]

    def _fetch(self, name: str) -> bytes:
        actual = self._actual.get(name, name)
        if actual in self._members:
            member = self._members[actual]
            return read_member(self.path / member.archive, member.name)
        return read_file(self.path / actual)

    def size(self, name: str) -> int:
        """Bytes of a file, 0 where it is gone."""
        actual = self._actual.get(name, name)
        try:
            return self._members[actual].size if actual in self._members else (self.path / actual).stat().st_size
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


def _files_of(folder: Path) -> tuple[list[str], list[tuple[str, str]]]:
    """Files of a folder and its immediate subfolders, and what else stands there with the reason why it is not read.
    Raises OSError for the folder; an unreadable subfolder has no files."""
    names: list[str] = []
    passed: list[tuple[str, str]] = []
    for entry in _entries(folder):
        if entry.is_file() and not entry.name.startswith("."):
            names.append(entry.name)
        elif entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
            try:
                inner = _entries(Path(entry.path))
            except OSError as error:
                passed.append((f"{entry.name}/", f"a folder that cannot be read ({error.strerror})"))
                continue
            for one in inner:
                if one.is_file() and not one.name.startswith("."):
                    names.append(f"{entry.name}/{one.name}")
                elif not one.is_dir(follow_symlinks=False):
                    passed.append((f"{entry.name}/{one.name}", _why_passed(one)))
        elif not (entry.name.startswith(".") and entry.is_dir()):
            passed.append((entry.name, _why_passed(entry)))
        if len(names) > MAX_FILES:
            raise OSError(errno.EFBIG, f"more than {MAX_FILES} files")
    return names, passed


class _Member(NamedTuple):
    """A file in an archive of the folder."""

    archive: str
    name: str
    size: int


def _opened(folder: Path, names: list[str]) -> tuple[list[str], dict[str, _Member], list[tuple[str, str]]]:
    """Names with the files of archives in the place of the archives, as archive.zip/file; what each of those is; and
    what is not read, with the reason."""
    inner: dict[str, _Member] = {}
    passed: list[tuple[str, str]] = []
    archives = [n for n in names if n.lower().endswith(ARCHIVE_SUFFIX)]
    for archive in archives:
        try:
            found, odd = members(folder / archive)
        except ValueError as error:
            passed.append((archive, str(error)))
            continue
        inner |= {f"{archive}/{member}": _Member(archive, member, size) for member, size in found.items()}
        passed += [(f"{archive}/{member}", reason) for member, reason in odd]
    return [n for n in names if n not in archives] + list(inner), inner, passed


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return list(entries)


def _why_passed(entry: os.DirEntry[str]) -> str:
    if entry.name.startswith("."):
        return "a hidden file, as archives and other systems leave behind"
    if entry.is_symlink() and not os.path.exists(entry.path):
        return "a link to nothing"
    return "a link to a folder" if entry.is_dir() else "no file: a pipe, a device or a socket"


def _inherited(folder: Path, top: Path) -> list[str]:
    """Every folder.toml from the folder itself upward as far as `top`, nearest first, named relative to the folder."""
    found = []
    for up, place in enumerate((folder, *folder.parents)):
        if (place / FOLDER_FILE).is_file():
            found.append("../" * up + FOLDER_FILE)
        if place == top or not place.is_relative_to(top):
            break
    return found


def above(folder: Path) -> Path | None:
    """The nearest folder.toml that lies above a folder."""
    return next((p / FOLDER_FILE for p in Path(os.path.abspath(folder)).parents if (p / FOLDER_FILE).is_file()), None)
