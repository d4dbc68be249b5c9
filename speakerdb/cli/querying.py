"""The command query: the named SQL questions, which bring their own parameters."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import DbOption, JsonOption, cite, database_path, emit, open_database


def query(
    name: Annotated[str | None, typer.Argument(help="Name of the query; without it, all are listed.")] = None,
    parameters: Annotated[list[str] | None, typer.Argument(help="Parameters as name=value.")] = None,
    queries: Annotated[
        Path | None,
        typer.Option("--queries", help="Folder of your own .sql files. Default: queries/ by the file."),
    ] = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Run one of the named SQL queries, or list them.

    Example: speakerdb query price_ladder kind=bookshelf
    """
    from speakerdb.field.naming import all_queries, own_folder
    from speakerdb.questions import documents
    from speakerdb.words.upkeep_documents import query_answer, query_head

    if queries is not None and not queries.is_dir():
        raise typer.BadParameter(f"there is no folder {queries}", param_hint="--queries")
    if name is None:
        found = all_queries(queries or own_folder(database_path(db)))
        if json:
            emit(documents.told(None, queries=[query_head(q) for q in found.values()]))
            return
        terminal.table(
            ["query", "title", "parameters"],
            [[q.name, q.title, ", ".join(f"{p.name}={p.default}" for p in q.parameters)] for q in found.values()],
        )
        return
    given = {}
    for item in parameters or []:
        key, equals, value = item.partition("=")
        if not equals:
            raise typer.BadParameter(f"{item!r}; expected name=value", param_hint="PARAMETERS")
        given[key] = value
    with open_database(db) as base:
        answer = base.query(name, given, folder=queries)
        head, frame, left_out = answer
        if json:
            emit(documents.told(base.state, **query_answer(answer)))
            return
        terminal.line(head.title)
        numeric = tuple(i for i, kind in enumerate(frame.dtypes) if kind.is_numeric())
        terminal.table(
            frame.columns,
            [
                [
                    figures.plain(cell) if isinstance(cell, int | float) and not isinstance(cell, bool) else cell
                    for cell in row
                ]
                for row in frame.iter_rows()
            ],
            right=numeric,
        )
        if len(left_out):
            said = [f"{figures.number(n)} ({reason or 'not worked out yet'})" for reason, n in left_out.iter_rows()]
            terminal.line(f"Left out: {figures.listing(said)}.")
        cite(base)
