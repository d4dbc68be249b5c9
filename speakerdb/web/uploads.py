"""Uploads: files and zip archives laid out in a folder of their own, with everything dubious turned away.

Turned away are: too much, too many, names that lead out of the folder, links and other special entries, encrypted
archives, and archives that unpack to far more than they weigh.
"""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
import threading
import time
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO, BinaryIO

from speakerdb import figures
from speakerdb.errors import DataError, UnknownNameError
from speakerdb.files import MAX_MEMBERS, place_below
from speakerdb.formats.archives import why_not_read
from speakerdb.store import NewSession, doing
from speakerdb.upkeep.ingest import IngestResult
from speakerdb.upkeep.preview import Preview
from speakerdb.web.security import TooLargeError

CHUNK = 1 << 20
_PLACE = "speakerdb-upload-"  # and the process that it belongs to
_RESULTS_KEPT = 64


@dataclass(frozen=True)
class Limits:
    """What one upload may hold. ratio: how much larger an archive may unpack than it is, beyond its first
    free_bytes."""

    upload_bytes: int = 200_000_000
    unpacked_bytes: int = 400_000_000
    files: int = MAX_MEMBERS
    ratio: int = 60
    free_bytes: int = 5_000_000


LIMITS = Limits()


def safe_path(name: str) -> PurePosixPath | None:
    """The name of an uploaded file as a path below the folder; None for a file to pass over (hidden ones).

    Raises DataError for a name that leads anywhere else.
    """
    try:
        return place_below(name)
    except ValueError as error:
        raise _turned_away("the upload", name, error) from None


def _turned_away(holder: str, name: str, why: object) -> DataError:
    shown = name[:80].encode("ascii", "backslashreplace").decode()
    return DataError(f"{holder} holds “{shown}”: {why}; expected plain files with names such as folder/session.toml")


class _Room:
    """How much may still be written."""

    def __init__(self, limits: Limits) -> None:
        self.files, self.bytes_left, self.limits = 0, limits.unpacked_bytes, limits

    def one_more_file(self) -> None:
        self.files += 1
        if self.files > self.limits.files:
            raise TooLargeError(f"the upload holds more than {self.limits.files} files; send fewer folders at once")

    def take(self, size: int) -> None:
        self.bytes_left -= size
        if self.bytes_left < 0:
            raise TooLargeError(
                f"the upload unpacks to more than {self.limits.unpacked_bytes // 1_000_000} MB; send fewer "
                "folders at once"
            )


def lay_out(files: Iterable[tuple[str, BinaryIO]], into: Path, limits: Limits = LIMITS) -> int:
    """Write uploaded files below a folder, archives unpacked; returns how many files there are.

    Raises DataError or TooLargeError; what was written by then stays for the caller to delete.
    """
    room = _Room(limits)
    for name, content in files:
        path = safe_path(name)
        if path is None:
            continue
        if path.suffix.lower() == ".zip":
            _unpack(content, path, into, room)
        else:
            _write(content, into / path, room, name)
    if not room.files:
        raise DataError("the upload holds no files; drop a session's folder, or a zip of folders")
    return room.files


def _write(content: IO[bytes], target: Path, room: _Room, name: str) -> None:
    room.one_more_file()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as file:
            while chunk := content.read(CHUNK):
                room.take(len(chunk))
                file.write(chunk)
    except (FileExistsError, NotADirectoryError):
        raise DataError(
            f"the upload holds “{name}” twice, or as a file and as a folder; each name once, please"
        ) from None


def _unpack(content: BinaryIO, archive_path: PurePosixPath, into: Path, room: _Room) -> None:
    limits = room.limits
    weight = content.seek(0, 2)
    content.seek(0)
    try:
        with zipfile.ZipFile(content) as archive:
            entries = [e for e in archive.infolist() if not e.is_dir()]
            if len(entries) > limits.files:
                raise TooLargeError(
                    f"{archive_path.name} holds more than {limits.files} files; send fewer folders at once"
                )
            claimed = sum(e.file_size for e in entries)
            if claimed > max(limits.free_bytes, limits.ratio * weight):
                raise TooLargeError(
                    f"{archive_path.name} unpacks to {figures.megabytes(claimed, 0)}, over {limits.ratio} "
                    "times its own size: "
                    "measurements do not shrink so far, and it was not unpacked"
                )
            for entry in entries:
                path = _entry_path(entry, archive_path.name)
                if path is not None:
                    with archive.open(entry) as file:
                        _write(file, into / archive_path.parent / path, room, entry.filename)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError) as error:
        raise DataError(
            f"{archive_path.name} can't be unpacked ({error}); expected a plain zip of session folders"
        ) from None


def _entry_path(entry: zipfile.ZipInfo, archive: str) -> PurePosixPath | None:
    try:
        return None if why_not_read(entry) else place_below(entry.filename)
    except ValueError as error:
        raise _turned_away(archive, entry.filename, error) from None


def _clear_left_behind() -> None:
    """Remove uploads of servers that are gone."""
    for place in Path(tempfile.gettempdir()).glob(f"{_PLACE}*"):
        process = place.name.removeprefix(_PLACE).partition("-")[0]
        if process.isdigit() and not doing.is_alive(int(process)):
            shutil.rmtree(place, ignore_errors=True)


@dataclass
class Stage:
    """An upload that waits to be stored, and what was found in it."""

    id: str
    folder: Path
    _keep: tempfile.TemporaryDirectory[str]
    at: float
    read: list[tuple[Path, NewSession | DataError]] = field(default_factory=list)
    found: list[Preview] = field(default_factory=list)
    stored: list[IngestResult] | None = None  # what became of it, once it was stored

    def called(self, folder: Path) -> str:
        """What a folder of the upload is called: its path below the upload."""
        return "upload" if folder == self.folder else str(folder.relative_to(self.folder))

    def discard(self) -> None:
        self._keep.cleanup()


class Stages:
    """Uploads that wait: at most `most`, each for `stay_s`; the oldest goes first."""

    def __init__(self, most: int = 8, stay_s: float = 3600.0) -> None:
        self._most, self._stay_s = most, stay_s
        self._waiting: dict[str, Stage] = {}
        self._done: dict[str, Stage] = {}
        _clear_left_behind()
        self._lock = threading.Lock()

    def add(self, files: Iterable[tuple[str, BinaryIO]]) -> Stage:
        """Lay out an upload; nothing of it stays where it is turned away (DataError, TooLargeError)."""
        keep = tempfile.TemporaryDirectory(prefix=f"{_PLACE}{os.getpid()}-", ignore_cleanup_errors=True)
        folder = Path(keep.name) / "upload"
        try:
            lay_out(files, folder)
        except BaseException:
            keep.cleanup()
            raise
        stage = Stage(secrets.token_urlsafe(16), folder, keep, time.monotonic())
        with self._lock:
            self._waiting[stage.id] = stage
            self._clear()
        return stage

    def find(self, stage_id: str) -> Stage:
        """The upload with this id; UnknownNameError where it is gone."""
        with self._lock:
            self._clear()
            if stage_id in self._done:
                return self._done[stage_id]
            if stage_id not in self._waiting:
                raise UnknownNameError("this upload is no longer kept; drop the folder again")
            return self._waiting[stage_id]

    def keep_result(self, stage: Stage) -> None:
        """Keep what became of an upload, without its files."""
        with self._lock:
            self._waiting.pop(stage.id, None)
            self._done[stage.id] = stage
            for old in list(self._done)[:-_RESULTS_KEPT]:
                del self._done[old]
        stage.discard()

    def discard(self, stage_id: str) -> None:
        with self._lock:
            stage = self._waiting.pop(stage_id, None)
        if stage is not None:
            stage.discard()

    def close(self) -> None:
        with self._lock:
            for stage in self._waiting.values():
                stage.discard()
            self._waiting.clear()

    def _clear(self) -> None:
        now = time.monotonic()
        for stage_id, stage in list(self._waiting.items()):
            if len(self._waiting) > self._most or now - stage.at > self._stay_s:
                self._waiting.pop(stage_id).discard()
