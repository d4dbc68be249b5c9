"""Tests against one mutant after the other, on a copy of the tree."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.mutation.groups import ROOT
from tests.mutation.mutants import Mutant

TREE = ("speakerdb", "tests", "schemas", "queries", "seed_data", "pyproject.toml", "README.md", "DEVELOPERS.md")
PATIENCE, WAIT_S = (
    4.0,
    20.0,
)  # how long a mutant may take: so many times as long as the source as it is, and so much more
FAILED, STOPPED = 1, 2  # what pytest returns where tests fail, and where they can't be collected


class Bench:
    """A copy of the tree in which mutants are tried."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._changes = 0
        self._known: dict[tuple[str, ...], float] = {}
        for name in TREE:
            copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy2
            copy(ROOT / name, folder / name)
        environment = {
            **os.environ,
            "PYTHONPATH": str(folder),
            "OPENBLAS_NUM_THREADS": "1",
            "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
        }
        self._nursery = subprocess.Popen(
            [sys.executable, "-P", "tests/mutation/nursery.py"],
            cwd=folder,
            env=environment,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )

    def put(self, module: str, source: str) -> None:
        path = self.folder / module
        path.write_text(source, encoding="utf-8")
        # compiled files are told apart by the source's time and size: each change gets a second of its own
        self._changes += 1
        then = time.time() + 2 * self._changes
        os.utime(path, (then, then))

    def run(self, tests: Sequence[str], timeout_s: float | None = None) -> int | None:
        """What pytest returns, None where it takes longer than it may."""
        # the one plugin that these tests need: the others take longer to load than many a test takes
        arguments = ["-x", "-q", "-p", "_hypothesis_pytestplugin", "--hypothesis-seed=0", *tests]
        asked, answered = self._nursery.stdin, self._nursery.stdout
        assert asked is not None
        assert answered is not None
        asked.write(json.dumps([arguments, timeout_s]) + "\n")
        asked.flush()
        code: int | None = json.loads(answered.readline())
        return code

    def close(self) -> None:
        self._nursery.communicate()

    def time_s(self, tests: Sequence[str]) -> float:
        """How long the tests take of the source as it is, which they must pass; tried once."""
        if tuple(tests) not in self._known:
            start = time.monotonic()
            if (code := self.run(tests)) != 0:
                raise RuntimeError(
                    f"the tests do not pass without a mutant (pytest returned {code}): {' '.join(tests)}"
                )
            self._known[tuple(tests)] = time.monotonic() - start
        return self._known[tuple(tests)]

    def survives(self, mutant: Mutant, tests: Sequence[str]) -> bool:
        # most are killed by the first of the tests, before the others are even collected
        parts = [part for part in (tests[:1], tests[1:]) if part]
        for part in parts:
            self.time_s(part)
        before = (self.folder / mutant.module).read_text(encoding="utf-8")
        self.put(mutant.module, mutant.source)
        try:
            return all(self._pass(part, mutant) for part in parts)
        finally:
            self.put(mutant.module, before)

    def _pass(self, tests: Sequence[str], mutant: Mutant) -> bool:
        code = self.run(tests, PATIENCE * self._known[tuple(tests)] + WAIT_S)
        if code not in {0, FAILED, STOPPED, None}:
            raise RuntimeError(f"pytest returned {code} for {mutant.described()}")
        return code == 0


@contextmanager
def bench() -> Iterator[Bench]:
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        found = Bench(Path(folder))
        try:
            yield found
        finally:
            found.close()
