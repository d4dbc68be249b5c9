"""Files that a user names, read with care: nothing that waits for ever, nothing without end."""

from __future__ import annotations

import stat
from pathlib import Path

MAX_FILE_BYTES = 200_000_000  # a file beyond this is a mistake or an attack, not a table of curves
MAX_LIST_BYTES = 20_000_000  # a list of facts, rates or a draft


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
