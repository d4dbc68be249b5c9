"""Commands that write: the review sheet and the draft."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import (
    DbOption,
    ExactOption,
    JsonOption,
    SettingOption,
    SpeakerArgument,
    cite,
    emit,
    open_database,
)

if TYPE_CHECKING:
    from speakerdb.library import Database


def report(
    speaker: SpeakerArgument,
    out: Annotated[Path, typer.Option("--out", help="The page to write, FILE.html.")],
    setting: SettingOption = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Write the review sheet of a speaker as one self-contained page.

    Example: speakerdb report sill-5 --out sill-5.html
    """
    from speakerdb.report import page

    def write(base: Database, slug: str, used: str) -> Path:
        return page.report(base, slug, out, setting=used, exact=True)

    _write("review sheet", write, speaker, setting, exact=exact, db=db, json=json)


def card(
    speaker: SpeakerArgument,
    out: Annotated[Path, typer.Option("--out", help="The picture to write, FILE.png.")],
    setting: SettingOption = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Write a speaker's verdict as one picture.

    Example: speakerdb card sill-5 --out sill-5.png
    """
    from speakerdb.report import card as cards

    def write(base: Database, slug: str, used: str) -> Path:
        return cards.save(base, slug, used, out)

    _write("card", write, speaker, setting, exact=exact, db=db, json=json)


def _write(
    what: str,
    write: Callable[[Database, str, str], Path],
    speaker: str,
    setting: str | None,
    *,
    exact: bool,
    db: Path | None,
    json: bool,
) -> None:
    """Write something of a speaker in a setting, and say where it is."""
    with open_database(db) as base:
        from speakerdb.questions import documents

        _, slug = base.find(speaker, exact=exact)
        used = base.setting(slug, setting)
        file = write(base, slug, used)
        size = file.stat().st_size
        if json:
            emit(documents.told(base.state, speaker=slug, setting=used, file=str(file), bytes=size))
            return
        terminal.line(f"The {what} of {slug}, setting {used}, is in {file} ({figures.megabytes(size)}).")
        cite(base)


def draft(
    file: Annotated[Path, typer.Argument(help="The text with placeholders, e.g. review.md.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", help="The filled text. Default: FILE.filled.md beside it.", show_default=False),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Write nothing; exit 1 where a filled text no longer agrees.")
    ] = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Fill the placeholders of a text; tell what has changed since.

    Placeholders stand between {{ and }}: value("sill-5", "preference"), interval(…), percentile(…), place(…),
    compare("sill-5", "sill-6", "preference"), table(["sill-5", "sill-6"], "preference", "sensitivity_db"),
    chart("sill-5", "curves"), overlay("sill-5", "sill-6"), relatives("sill-5"), name("sill-5"),
    strip("sill-5", "bass"), price("sill-5", "street"), fact("sill-5", "mass_kg"), state().

    Example: speakerdb draft review.md
    """
    from dataclasses import asdict

    from speakerdb.questions import documents
    from speakerdb.report import draft as drafting

    with open_database(db) as base:
        result = drafting.draft(base, file, out, check=check)
        if json:
            emit(
                documents.told(
                    base.state,
                    file=str(result.out),
                    record=str(result.record),
                    written=result.written,
                    filled=[asdict(f) for f in result.filled],
                    stale=[asdict(s) for s in result.stale],
                )
            )
        else:
            _tell(result)
            cite(base)
    if check and result.stale:
        raise typer.Exit(1)


def _tell(result: Any) -> None:
    if result.written:
        terminal.line(
            f"{len(result.filled)} placeholders are filled in {result.out}; what was filled is noted in "
            f"{result.record}."
        )
    if not result.stale:
        terminal.line(
            "Everything filled before still agrees." if not result.written else "Nothing filled before has changed."
        )
        return
    terminal.line(
        f"{len(result.stale)} no longer agree with what was filled in state {result.stale[0].was_state} (now "
        f"{result.state}):"
    )
    terminal.table(
        ["line", "placeholder", "was", "is now"],
        [[s.line, s.placeholder, s.was, s.now] for s in result.stale],
        right=(0,),
    )
