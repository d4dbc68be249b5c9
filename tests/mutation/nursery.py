"""Runs pytest once for each line of input, a list of its arguments and how many seconds it may take, and prints what it
returned.

Each run is a fork of this process, so that the libraries are loaded once: loading them takes longer than many a test.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time

import _hypothesis_pytestplugin  # noqa: F401
import altair  # noqa: F401
import duckdb  # noqa: F401
import hypothesis  # noqa: F401
import numpy  # noqa: F401
import polars  # noqa: F401
import pyarrow  # noqa: F401
import pytest
import scipy.stats  # noqa: F401
import typer  # noqa: F401


def run(arguments: list[str], timeout_s: float | None) -> int | None:
    """What pytest returns, None where it takes longer than it may."""
    child = os.fork()
    if child == 0:
        os.setsid()
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        os._exit(int(pytest.main(arguments)))
    until = float("inf") if timeout_s is None else time.monotonic() + timeout_s
    while time.monotonic() < until:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


if __name__ == "__main__":
    for line in sys.stdin:
        print(json.dumps(run(*json.loads(line))), flush=True)
