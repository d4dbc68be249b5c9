"""A note beside the file of what is being done to it, so that after a crash the next command can say what was."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from pathlib import Path

_SUFFIX = ".doing"


def _note(path: Path) -> Path:
    return path.with_name(path.name + _SUFFIX)


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
        if _is_alive(int(process)):
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return (
        f"`speakerdb {what}`, begun {since} at state {state}, did not end. What it reported as done is done, nothing "
        "is half done; run it again to go on"
    )


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True
