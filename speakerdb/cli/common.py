"""What the commands share: the program that they belong to, options, opening the file, choosing between text and
JSON."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal

if TYPE_CHECKING:
    from speakerdb.library import Database

DEFAULT_FILE = "speakers.duckdb"

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Compare loudspeakers by their measurements.",
    epilog="Every command takes --wide (tables as wide as they need, else 80 columns) and --ids (metrics with their "
    "id, as scripts name them). Exit codes: 0 done, 1 the data or the request can't be served (the message says why), "
    "2 usage.",
)

DbOption = Annotated[
    Path | None,
    typer.Option("--db", help="Database file. Default: $SPEAKERDB_FILE, else ./speakers.duckdb", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]
ExactOption = Annotated[bool, typer.Option("--exact", help="Take the speaker's name as the whole slug.")]
SettingOption = Annotated[str | None, typer.Option("--setting", help="Another setting than the default one.")]
SpeakerArgument = Annotated[str, typer.Argument(help="A speaker's slug, or any unambiguous part of it.")]


def database_path(db: Path | None) -> Path:
    """--db, else the environment, else ./speakers.duckdb."""
    return db or Path(os.environ.get("SPEAKERDB_FILE") or DEFAULT_FILE)


def open_database(db: Path | None, *, write: bool = False) -> Database:
    """Open the database that the options name."""
    from speakerdb.library import Database
    from speakerdb.store import doing

    path = database_path(db)
    if (told := doing.left_behind(path)) is not None:
        sys.stderr.write(f"note: {told}\n")
    base = Database.open(path, write=write)
    if write:
        base.note(" ".join(sys.argv[1:2]) or "a command")
    return base


def open_existing(db: Path | None) -> Database:
    """Open for writing a file that must be there already."""
    if not database_path(db).exists():
        open_database(db).close()  # opening for reading says in plain words that there is none
    return open_database(db, write=True)


def cite(db: Database) -> None:
    """The line that lets an answer be cited."""
    state = db.state
    terminal.line(
        f"\nstate {state.state} · {figures.count(state.speakers, 'speaker')} · {state.date} · error model "
        f"{state.error_model}"
    )


def emit(document: dict[str, Any]) -> None:
    """One JSON document on standard output."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=None) + "\n")
