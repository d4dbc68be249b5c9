"""How the house is built, beyond which room calls which (import-linter holds that)."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter
from pathlib import Path

import speakerdb

PACKAGE = Path(speakerdb.__file__).parent
ROOT = PACKAGE.parent
MODULES = sorted(PACKAGE.rglob("*.py"))
# in acoustics and in metrics, until functions stand above their rows
OF_ROWS = {"directivity.py", "output.py", "response.py"}
SQL = re.compile(
    r"\b(SELECT\s|INSERT\s+INTO\s|DELETE\s+FROM\s|UPDATE\s+\w+\s+SET\s|COPY\s+\w+\s+TO\s|ATTACH\s|ROLLBACK\b)"
)


def test_every_file_name_stands_once():
    counts = Counter(path.name for path in MODULES if path.name != "__init__.py")
    assert len(counts) > 150
    assert {name for name, count in counts.items() if count > 1} <= OF_ROWS


def _sql_in(source: str) -> list[str]:
    """Statements in a module's strings, and what it gives a connection to run."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and SQL.search(node.value):
            found.append(node.value)
        elif isinstance(node, ast.Attribute) and node.attr in {"execute", "executemany", "sql"}:
            found.append(ast.unparse(node))
    return found


def test_sql_is_written_below_the_store_and_nowhere_else():
    store, others = [], []
    for path in MODULES:
        statements = [f"{path.relative_to(PACKAGE)}: {found}" for found in _sql_in(path.read_text(encoding="utf-8"))]
        (store if path.is_relative_to(PACKAGE / "store") else others).extend(statements)
    assert len(store) > 100  # the search finds what is there
    assert others == []


def test_the_developers_table_names_the_layers_that_are_held():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = settings["tool"]["importlinter"]["contracts"][0]["layers"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text[text.index("\ncli ") :].split("```", 1)[0].strip().splitlines()
    named = [re.findall(r"\w+", re.split(r"\s{2,}", line)[0]) for line in table]
    rooms = {path.stem if path.is_file() else path.name for path in PACKAGE.iterdir()}
    held = [[room for room in re.findall(r"\w+", layer) if room in rooms] for layer in layers]
    assert [sorted(layer) for layer in named] == [sorted(layer) for layer in held if layer]
