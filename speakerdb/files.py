"""Files that a user names, read with care: nothing that waits for ever, nothing without end, no name that leads out of
its folder."""

from __future__ import annotations

import re
import stat
from pathlib import Path, PurePosixPath

MAX_FILE_BYTES = 200_000_000  # a file beyond this is a mistake or an attack, not a table of curves
MAX_LIST_BYTES = 20_000_000  # a list of facts, rates or a draft
MAX_MEMBERS = 5_000  # files in an archive or an upload
MAX_DEPTH, MAX_NAME_BYTES = 8, 150
_NAME = re.compile(r"[^\x00-\x1f\x7f<>:\"|?*\\]+")
_LEFT_BEHIND = "__MACOSX"  # by some archivers


def place_below(name: str) -> PurePosixPath | None:
    """A name in an archive or an upload as a path below a folder; None for a hidden file, as some systems leave behind.

    Raises ValueError, in words, for a name that leads anywhere else or that a file can't have.
    """
    parts = [part for part in name.split("/") if part not in {"", "."}]
    if not parts or ".." in parts or name.startswith("/") or "\\" in name or re.match(r"[A-Za-z]:", name):
        raise ValueError("a name that leads out of the folder")
    if len(parts) > MAX_DEPTH or any(len(part.encode("utf-8", "replace")) > MAX_NAME_BYTES for part in parts):
        raise ValueError("a name that is too long or too deep")
    if not all(_NAME.fullmatch(part) for part in parts):
        raise ValueError("a name with characters that a file can't have")
    hidden = parts[0] == _LEFT_BEHIND or any(part.startswith(".") for part in parts)
    return None if hidden else PurePosixPath(*parts)


def refuse_odd(path: Path) -> None:
    """Raise OSError, in words, for a pipe, a device or a socket: reading one may wait for ever or never end."""
    kind = path.stat().st_mode
    for is_odd, name in (
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
    ):
        if is_odd(kind):
            raise OSError(0, f"{name}, where a file is expected")


def read_file(path: Path, limit: int = MAX_FILE_BYTES) -> bytes:
    """The bytes of a regular file. Raises OSError, whose strerror is in words."""
    refuse_odd(path)
    size = path.stat().st_size
    if size > limit:
        raise OSError(0, f"{size / 1e6:.0f} MB, more than {limit // 10**6} MB")
    return path.read_bytes()
