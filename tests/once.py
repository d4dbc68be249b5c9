"""Files that many tests start from are built once a run, by whichever of its processes asks first; each process gets a
copy."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest


def copy_of(name: str, build: Callable[[Path], object], factory: pytest.TempPathFactory) -> Path:
    """A folder of this process's own that holds what `build` writes into an empty one; name: the same for the same
    content."""
    run = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        run = run.parent  # the folder of all processes of the run
    original, whole = run / "once" / name, run / "once" / f"{name}.whole"
    original.parent.mkdir(exist_ok=True)
    with original.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not whole.exists():
            shutil.rmtree(original, ignore_errors=True)  # of a process that failed at it
            original.mkdir()
            build(original)
            whole.touch()
    return shutil.copytree(original, factory.mktemp(name), dirs_exist_ok=True)
