"""The program uses one thread for linear algebra unless told otherwise; a host of the library is left alone."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from speakerdb.terms import ALGEBRA_THREADS

PROGRAM = """
import atexit, os, sys
from speakerdb.cli.main import run
atexit.register(lambda: print("threads", os.environ.get("OPENBLAS_NUM_THREADS")))
run({arguments})
"""


@pytest.mark.parametrize(
    ("arguments", "set_by_user", "expected"),
    [("", None, "1"), ("", "3", "3"), ("['--help']", None, "None")],
    ids=["program", "said otherwise", "host"],
)
def test_threads(arguments, set_by_user, expected):
    env = {name: value for name, value in os.environ.items() if name not in ALGEBRA_THREADS}
    if set_by_user is not None:
        env["OPENBLAS_NUM_THREADS"] = set_by_user
    script = PROGRAM.format(arguments=arguments)
    done = subprocess.run(
        [sys.executable, "-c", script, "--help"], env=env, capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines()[-1] == f"threads {expected}"
