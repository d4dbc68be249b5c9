"""The oldest versions that pyproject.toml promises to work with, as constraints for pip.

Run: python -m tests.lower_bounds > constraints.txt; pip install -c constraints.txt . — the gate does,
and runs a short suite there.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]


def constraints() -> list[str]:
    """name==version for each run-time package. Raises ValueError for one without a lower bound."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = []
    for text in project["dependencies"]:
        requirement = Requirement(text)
        lower = [s.version for s in requirement.specifier if s.operator == ">="]
        if len(lower) != 1:
            raise ValueError(f"{text}: expected one lower bound")
        found.append(f"{requirement.name}=={lower[0]}")
    return found


if __name__ == "__main__":
    print("\n".join(constraints()))
