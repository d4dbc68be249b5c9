"""Comments and docstrings cite the method by headings that ship, and no text that doesn't."""

from __future__ import annotations

import re
from pathlib import Path

from speakerdb.answering import method

ROOT = Path(__file__).resolve().parent.parent
PLACES = ("speakerdb", "seed_data", "tests", "schemas", "queries")
SUFFIXES = {".py", ".sql", ".html", ".jinja", ".css", ".js", ".json", ".toml", ".md"}
CITED = re.compile(r"\bmethod:[a-z]+(?:#[a-z0-9-]+)?")
SECTION = re.compile(r"\w+\.md,? (?:§|section \d|\d)|§ ?\d")
ELSEWHERE = re.compile(r"\b(?:metrics|statistics|data|words|brief|house|imports|doors|exchange|prepare|system)\.md\b")


def found(pattern):
    """(file, what) of every match in what ships and in its tests; the method texts themselves cite nothing."""
    for place in PLACES:
        for path in sorted((ROOT / place).rglob("*")):
            if path.suffix in SUFFIXES and path != Path(__file__).resolve():
                for match in pattern.finditer(path.read_text(encoding="utf-8")):
                    yield str(path.relative_to(ROOT)), match[0]


def test_every_citation_of_the_method_leads_to_a_heading():
    known = {f"method:{topic.id}" for topic in method.topics()}
    cited = list(found(CITED))
    assert len({file for file, _ in cited}) > 40
    assert [(file, what) for file, what in cited if what not in known] == []


def test_nothing_cites_a_text_that_does_not_ship():
    assert list(found(SECTION)) == []
    assert list(found(ELSEWHERE)) == []


def test_the_patterns_see_what_they_look_for():
    assert SECTION.search("as of rules.md " + chr(167) + "5")
    assert SECTION.search("(" + chr(167) + "3)")
    assert ELSEWHERE.search("see " + "statistics" + ".md")
    assert CITED.findall("(method:statistics#joint-places)") == ["method:statistics#joint-places"]
