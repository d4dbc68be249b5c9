"""Commands that write: the review sheet and the draft."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

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
    with open_database(db) as base:
        from speakerdb.questions import documents
        from speakerdb.report import page

        _, slug = base.find(speaker, exact=exact)
        used = base.setting(slug, setting)
        file = page.report(base, slug, out, setting=used, exact=True)
        if json:
            emit(documents.told(base.state, speaker=slug, setting=used, file=str(file), bytes=file.stat().st_size))
            return
        terminal.line(
            f"The review sheet of {slug}, setting {used}, is in {file} ({figures.megabytes(file.stat().st_size)})."
        )
        cite(base)


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
    with open_database(db) as base:
        from speakerdb.questions import documents
        from speakerdb.report import card as cards

        _, slug = base.find(speaker, exact=exact)
        used = base.setting(slug, setting)
        file = cards.save(base, slug, used, out)
        if json:
            emit(documents.told(base.state, speaker=slug, setting=used, file=str(file), bytes=file.stat().st_size))
            return
        terminal.line(f"The card of {slug}, setting {used}, is in {file}.")
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
