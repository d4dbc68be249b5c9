"""What the package stands on at run time, and under which licences: the table in DEVELOPERS.md is the whole of it."""

from __future__ import annotations

import importlib.metadata
import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
# Licences that let a program under MIT stand on what they cover; MPL-2.0 asks only for changes to its own files
FIT = {
    "MIT",
    "MIT-0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "0BSD",
    "ISC",
    "Apache-2.0",
    "PSF-2.0",
    "MPL-2.0",
    "Zlib",
    "CC0-1.0",
}
# Packages that name their licence in other words than SPDX's
SAID = {
    "BSD License": "BSD-3-Clause",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "ISC License (ISCL)": "ISC",
    "Apache Software License": "Apache-2.0",
}


def key(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def run_time_packages() -> dict[str, importlib.metadata.Distribution]:
    """Every package that an installation without extras brings here."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found: dict[str, importlib.metadata.Distribution] = {}
    waiting = [Requirement(text).name for text in project["dependencies"]]
    while waiting:
        name = waiting.pop()
        if key(name) in found:
            continue
        found[key(name)] = importlib.metadata.distribution(name)
        for text in found[key(name)].requires or []:
            requirement = Requirement(text)
            if requirement.marker is None or requirement.marker.evaluate({"extra": ""}):
                waiting.append(requirement.name)
    return found


def licence(package: importlib.metadata.Distribution) -> str:
    """SPDX, as the package says it of itself."""
    if said := package.metadata.get("License-Expression"):
        return said
    named = [c.rpartition(" :: ")[2] for c in package.metadata.get_all("Classifier") or [] if c.startswith("License")]
    text = named[0] if named else (package.metadata.get("License") or "").strip()
    return SAID.get(text, text)


def told() -> dict[str, str]:
    """Package -> licence, in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = text[text.index("## What it stands on") :].partition("\n## ")[0] + "\n"
    found = {}
    for line in re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", part, re.M)[1:]:
        found |= dict.fromkeys(line[1].split(", "), line[0])
    return found


def test_every_package_is_told_with_the_licence_that_it_names():
    assert told() == {name: licence(package) for name, package in run_time_packages().items()}


def test_none_forbids_what_this_programs_licence_allows():
    for name, words in told().items():
        parts = re.findall(r"[\w.-]+", words)
        choices = [set(choice.split()) - {"AND"} for choice in " ".join(parts).split(" OR ")]
        assert any(choice <= FIT for choice in choices), f"{name}: {words}"
