"""Commands for the browser: serve, publish."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from speakerdb.cli import terminal
from speakerdb.cli.common import DbOption, JsonOption, database_path, emit

_THIS_MACHINE = ("127.0.0.1", "localhost", "::1")


def serve(
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; the default is this machine only.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; 0 takes any that is free.")] = 8420,
    allow_ingest: Annotated[
        bool, typer.Option("--allow-ingest", help="Also take measurements in: holds the file for writing.")
    ] = False,
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="A further host name under which the pages may be asked for; may be repeated."),
    ] = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Show the pages in a browser, on this machine, until interrupted.

    Example: speakerdb serve --port 8420
    """
    from speakerdb.questions import documents
    from speakerdb.web.server import serve as run

    path = database_path(db)

    def ready(url: str) -> None:
        if json:
            emit(documents.told(None, url=url, allow_ingest=allow_ingest))
            sys.stdout.flush()
        else:
            terminal.line(f"{path} at {url} (Ctrl-C ends it)", whole=True)
        if host not in _THIS_MACHINE:
            may = "read this database and store measurements in it" if allow_ingest else "read this database"
            terminal.say(f"Whoever reaches this machine over the network can now {may}; the line is not encrypted.")

    run(path, host=host, port=port, allow_ingest=allow_ingest, names=name or (), ready=ready)


def publish(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")],
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Write the pages that read as a static site, for any host.

    Example: speakerdb publish site/
    """
    from speakerdb.cli.keeping import progress
    from speakerdb.questions import documents
    from speakerdb.web.publishing import publish as write

    with progress("writing pages") as (begin, advance):
        state, files = write(database_path(db), folder, begin=begin, advance=advance)
    if json:
        emit(documents.told(state, folder=str(folder), files=files))
    else:
        terminal.line(
            f"{files} files written to {folder}; open {folder / 'index.html'}, or put the folder on any host."
        )
