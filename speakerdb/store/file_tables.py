"""The tables of the file as the migrations make them.

`python -m speakerdb.store.file_tables` writes schemas/tables.json.
"""

from __future__ import annotations

import functools
import json
import re
from typing import TYPE_CHECKING

from speakerdb.resources import resource_dir

if TYPE_CHECKING:
    import duckdb

_FILE = "tables.json"
_DRAWS = re.compile(r"(own|bench)_draw\.m\d+ TINYINT\[\d+\]")
Tables = dict[str, dict[str, str]]  # table -> column -> type, in their order


def of(con: duckdb.DuckDBPyConnection) -> Tables:
    """The tables of an open file, without the columns that hold a metric's draws: they come with what is worked out."""
    rows = con.execute(
        "SELECT t.table_name, c.column_name, c.data_type FROM duckdb_tables() t JOIN duckdb_columns() c "
        "USING (database_name, schema_name, table_name) WHERE NOT t.internal AND NOT t.temporary "
        "AND t.schema_name = 'main' ORDER BY t.table_name, c.column_index"
    ).fetchall()
    found: Tables = {}
    for table, column, type_ in rows:
        columns = found.setdefault(table, {})
        if not _DRAWS.fullmatch(f"{table}.{column} {type_}"):
            columns[column] = type_
    return found


@functools.cache
def expected() -> Tables:
    """The tables that this program makes."""
    tables: Tables = json.loads((resource_dir("schemas") / _FILE).read_text(encoding="utf-8"))
    return tables


def foreign(con: duckdb.DuckDBPyConnection) -> list[str]:
    """What of a file's tables is not as this program makes them, in words."""
    here, ours = of(con), expected()
    words = [f"table {name}" for name in here if name not in ours]
    words += [f"table {name} (missing)" for name in ours if name not in here]
    words += [f"table {name} (other columns)" for name in ours if name in here and here[name] != ours[name]]
    return words


def text() -> str:
    """What schemas/tables.json holds: the tables of a new file."""
    import duckdb

    from speakerdb.store import migrations

    with duckdb.connect() as con:
        migrations.apply(con, 0)
        return json.dumps(of(con), indent=1) + "\n"


if __name__ == "__main__":
    (resource_dir("schemas") / _FILE).write_text(text(), encoding="utf-8")
