"""Commands that put right what is stored: facts, withdraw, rename, merge."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speakerdb.cli import terminal
from speakerdb.cli.common import DbOption, JsonOption, emit, open_existing

if TYPE_CHECKING:
    from speakerdb.library import Database


def _done(base: Database, sentence: str, json: bool, **content: object) -> None:
    from speakerdb.questions import documents

    if json:
        emit(documents.told(base.state, **content))
    else:
        terminal.line(sentence)


def facts(
    file: Annotated[Path, typer.Argument(help="CSV: speaker, name, value, currency, per, date, source.")],
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Import sizes, masses, years and prices (newest wins).

    Example: speakerdb facts prices-2026.csv
    """
    with open_existing(db) as base:
        added, prices = base.bring_facts(file)
        _done(base, f"{added} facts and {prices} prices added.", json, facts=added, prices=prices)


def withdraw(
    session: Annotated[str, typer.Argument(help="A session's id, or an unambiguous start of it.")],
    reason: Annotated[str, typer.Option("--reason", help="Why it no longer counts.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Let a withdrawn session count again.")] = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Exclude a session from all results; it is kept with the reason.

    Example: speakerdb withdraw 3f2a --reason "microphone was off axis"
    """
    if undo == bool(reason):
        raise typer.BadParameter("either --reason, or --undo without one")
    with open_existing(db) as base:
        name, slug = base.undo_withdrawal(session) if undo else base.withdraw(session, reason)
        counts = "counts again" if undo else "no longer counts"
        _done(base, f"Session {name} of {slug} {counts}.", json, session=name, speaker=slug)


def rename(
    old: Annotated[str, typer.Argument(help="The speaker's slug now.")],
    new: Annotated[str, typer.Argument(help="Its new name.")],
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Give a speaker another slug; the old one still finds it.

    Example: speakerdb rename alder-fen-sill-5 alder-fen-sill-5-mk-1
    """
    with open_existing(db) as base:
        before, after = base.rename(old, new)
        _done(base, f"{before} is now {after}; the old name still finds it.", json, old=before, new=after)


def merge(
    kept: Annotated[str, typer.Argument(metavar="A", help="The speaker that stays.")],
    gone: Annotated[str, typer.Argument(metavar="B", help="The speaker whose sessions move to A.")],
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Make two speakers one: B's sessions, facts and prices move to A.

    Example: speakerdb merge alder-fen-sill-5 alder-fen-sill5
    """
    with open_existing(db) as base:
        a, b, moved = base.merge(kept, gone)
        _done(
            base, f"{moved} sessions moved from {b} to {a}; {b} still finds it.", json, kept=a, gone=b, sessions=moved
        )
