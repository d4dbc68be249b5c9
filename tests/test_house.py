"""How the house is built: what import-linter does not hold."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import speakerdb

PACKAGE = Path(speakerdb.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
OF_ROWS = {
    "directivity.py",
    "output.py",
    "response.py",
}  # in acoustics and in metrics, until functions stand above their rows


def test_every_file_name_stands_once():
    counts = Counter(path.name for path in MODULES if path.name != "__init__.py")
    assert len(counts) > 150
    assert {name for name, count in counts.items() if count > 1} <= OF_ROWS
