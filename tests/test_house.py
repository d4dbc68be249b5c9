"""How the house is built, beyond which room calls which (import-linter holds that)."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import speakerdb

PACKAGE = Path(speakerdb.__file__).parent
ROOT = PACKAGE.parent
MODULES = sorted(PACKAGE.rglob("*.py"))
SQL = re.compile(
    r"\b(SELECT\s|INSERT\s+INTO\s|DELETE\s+FROM\s|UPDATE\s+\w+\s+SET\s|COPY\s+\w+\s+TO\s|ATTACH\s|ROLLBACK\b)"
)


def test_every_file_name_stands_once():
    counts = Counter(path.name for path in MODULES if path.name != "__init__.py")
    assert len(counts) > 150
    assert [name for name, count in counts.items() if count > 1] == []


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


SPEC = re.compile(r"[fFgGeEn%,]$")  # the end of a format of numbers: .1f, g, +.0f, .0%, …
IN_TEXT = re.compile(r"\{[^{}'\"]*:[+,\d.]*[fge%]\}|%[+\d.]*[fge]\b")  # of str.format and of %
IN_TEMPLATE = re.compile(r"""["']%[+\d.]*[fgde]["']|["']\{:[^}]*\}["']|\|\s*(?:round|format)\b""")
MOST_NUMBER_FORMATS = 20  # for what no person reads: ids of metrics, texts that are kept, addresses, headers


def number_formats(module: ast.Module) -> Iterator[int]:
    """Lines of a module that turn a number into text by themselves."""
    documented = {
        body[0].value
        for node in ast.walk(module)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and (body := node.body)
        and isinstance(body[0], ast.Expr)
    }
    for node in ast.walk(module):
        if isinstance(node, ast.FormattedValue) and isinstance(node.format_spec, ast.JoinedStr):
            spec = "".join(part.value for part in node.format_spec.values if isinstance(part, ast.Constant))
            if SPEC.search(spec):
                yield node.lineno
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in documented:
            if IN_TEXT.search(node.value):
                yield node.lineno
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "replace":
            if [a.value for a in node.args if isinstance(a, ast.Constant)] == ["-", "\N{MINUS SIGN}"]:
                yield node.lineno
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("str", "format"):
            if any(isinstance(a, ast.Call) and getattr(a.func, "id", "") == "round" for a in node.args):
                yield node.lineno
        elif isinstance(node, ast.FormattedValue) and isinstance(node.value, ast.Call):
            if getattr(node.value.func, "id", "") == "round":
                yield node.lineno
        elif (
            isinstance(node, ast.keyword)
            and node.arg == "format"
            and isinstance(node.value, ast.Constant)
            and re.fullmatch(r"[,.~\d]*[dfgr%]", str(node.value.value))
        ):
            yield node.value.lineno  # of a chart


def test_numbers_become_text_in_one_place():
    found = [
        f"{path.relative_to(PACKAGE)}:{line}"
        for path in MODULES
        if path.name != "figures.py" and "formats" not in path.relative_to(PACKAGE).parts
        for line in number_formats(ast.parse(path.read_text(encoding="utf-8")))
    ]
    templates = [p for p in PACKAGE.rglob("*") if p.suffix in (".html", ".jinja", ".md")]
    assert len(templates) > 20
    found += [
        f"{path.relative_to(PACKAGE)}: {match.group()}"
        for path in templates
        for match in IN_TEMPLATE.finditer(path.read_text(encoding="utf-8"))
    ]
    assert len(found) <= MOST_NUMBER_FORMATS, "\n".join(found)


def test_a_number_format_is_noticed():
    """What the count above counts, so that it can't pass by seeing nothing."""
    seen = (
        "f'{x:.1f}'; f'{x:g} m'; f'{x:,}'; '%.2f' % x; '{:.0f}'.format(x); str(round(x, 1)); f'{round(x)}'; "
        "s.replace('-', '−')"
    )
    assert len(list(number_formats(ast.parse(seen)))) == 8
    unseen = "f'{x}'; f'{word:>12}'; round(x, 2); s.replace('-', '_'); json.dumps(x)"
    assert not list(number_formats(ast.parse(unseen)))
    assert [bool(IN_TEMPLATE.search(t)) for t in ('"%.2g" | format(p)', "x | round(1)", "x | number(1)")] == [
        True,
        True,
        False,
    ]


def test_a_metrics_id_stands_in_its_row_and_where_it_is_an_example_or_a_name_of_what_is_asked():
    """Elsewhere code names rows by their object, and rules read what rows say."""
    files = [*MODULES, *PACKAGE.rglob("*.html"), *PACKAGE.rglob("*.jinja")]
    named = {p.relative_to(PACKAGE).parts[0] for p in files if "f6_hz" in p.read_text(encoding="utf-8")}
    below = {"statistics", "derive", "store", "formats", "charts", "field", "upkeep", "acoustics"}
    assert "metrics" in named
    assert not named & below
    assert sum(bool(re.search(r"\bf6_hz\b", p.read_text(encoding="utf-8"))) for p in files) <= 6


def test_no_id_of_a_metric_is_compared_or_taken_apart():
    from speakerdb.metrics import METRICS

    found = []
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Compare):
                sides = [node.left, *node.comparators]
                found += [(path.name, s.value) for s in sides if isinstance(s, ast.Constant) and s.value in METRICS]
            elif isinstance(node, ast.Dict):
                keys = [k.value for k in node.keys if isinstance(k, ast.Constant) and k.value in METRICS]
                found += [(path.name, keys)] if len(keys) > 2 else []  # a table
    assert found == []
