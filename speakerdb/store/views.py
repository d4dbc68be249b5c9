"""The views of the file as this program defines them. A file may come from a stranger: what its own views say is never
asked; each connection has the program's, as temporary views, which go before those of the file."""

from __future__ import annotations

import functools
import re
from typing import TYPE_CHECKING

from speakerdb.resources import resource_dir

if TYPE_CHECKING:
    import duckdb

_CREATE = re.compile(r"^CREATE VIEW (\w+) AS\b(.*?);[ \t]*$", re.DOTALL | re.MULTILINE)


@functools.cache
def definitions() -> dict[str, str]:
    """View -> the statement behind it, by the newest migration that has it."""
    found: dict[str, str] = {}
    for path in sorted(resource_dir("schemas").glob("[0-9][0-9][0-9][0-9]_*.sql")):
        found |= dict(_CREATE.findall(path.read_text(encoding="utf-8")))
    return found


def put_ours(con: duckdb.DuckDBPyConnection) -> None:
    """Put the program's views before those of the file, for this connection."""
    for name, statement in definitions().items():
        con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS {statement}")


def foreign(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Views and schemas of a file that are not this program's, or not as it defines them, in words."""
    rows = con.execute(
        "SELECT view_name, schema_name, sql, temporary FROM duckdb_views() WHERE NOT internal ORDER BY view_name"
    ).fetchall()
    ours = {name: _bare(sql) for name, _, sql, temporary in rows if temporary}
    found = [
        f"view {name}" + (" (changed)" if name in ours else "")
        for name, schema, sql, temporary in rows
        if not temporary and (schema != "main" or ours.get(name) != _bare(sql))
    ]
    schemas = con.execute(
        "SELECT schema_name FROM duckdb_schemas() WHERE NOT internal AND schema_name NOT IN ('main')"
    ).fetchall()
    return found + [f"schema {name}" for (name,) in schemas]


def foreign_functions(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Functions that a file holds, where this program puts none. Slow, and no danger to what lies outside the file."""
    rows = con.execute("SELECT DISTINCT function_name FROM duckdb_functions() WHERE NOT internal ORDER BY 1").fetchall()
    return [f"function {name}" for (name,) in rows]


def _bare(sql: str) -> str:
    """A view's statement without its head, on one line."""
    return " ".join(re.sub(r"^CREATE (?:TEMP(?:ORARY)? )?VIEW .*? AS", "", sql, flags=re.DOTALL).split())
