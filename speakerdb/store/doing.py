"""Notes beside the file: what is being done to it, so that after a crash the next command can say what was, and that
somebody waits to write, so that a server that only reads can let go of it."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from pathlib import Path

_SUFFIX, _WANTED = ".doing", ".wanted"


def _note(path: Path, suffix: str = _SUFFIX) -> Path:
    return path.with_name(path.name + suffix)


def begin(path: Path, what: str, state: str) -> None:
    """Note that something is being done to a file that is in this state. A place that takes no note has none."""
    now = dt.datetime.now().isoformat(" ", "minutes")
    with contextlib.suppress(OSError):
        _note(path).write_text(json.dumps({"what": what, "since": now, "state": state, "process": os.getpid()}))


def end(path: Path) -> None:
    with contextlib.suppress(OSError):
        _note(path).unlink(missing_ok=True)


def left_behind(path: Path) -> str | None:
    """What was being done to a file by a process that is gone, in a sentence; None where nothing was."""
    try:
        found = json.loads(_note(path).read_text())
        what, since, state, process = (found[k] for k in ("what", "since", "state", "process"))
        if is_alive(int(process)):
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return (
        f"`speakerdb {what}`, begun {since} at state {state}, did not end. What it reported as done is done, nothing "
        "is half done; run it again to go on"
    )


def is_alive(process: int) -> bool:
    """Whether there is such a process."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def by(path: Path, process: int) -> str | None:
    """What a process is doing to a file and since when, where it left a note."""
    try:
        found = json.loads(_note(path).read_text())
        return f"`speakerdb {found['what']}`, since {found['since']}" if int(found["process"]) == process else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def ask_to_write(path: Path) -> None:
    """Let whoever only reads the file know that this process waits to write."""
    with contextlib.suppress(OSError):
        _note(path, _WANTED).write_text(str(os.getpid()))


def ask_no_more(path: Path) -> None:
    with contextlib.suppress(OSError, ValueError):
        note = _note(path, _WANTED)
        if int(note.read_text()) == os.getpid():
            note.unlink(missing_ok=True)


def is_wanted(path: Path) -> bool:
    """Whether another process that is alive waits to write."""
    try:
        process = int(_note(path, _WANTED).read_text())
    except (OSError, ValueError):
        return False
    return process != os.getpid() and is_alive(process)
