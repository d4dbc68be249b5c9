"""The command from recordings to a session folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from speakerdb.cli import terminal
from speakerdb.cli.common import JsonOption, emit


def prepare(
    raw: Annotated[Path, typer.Argument(help="A folder of recordings with raw.toml.")],
    session: Annotated[
        Path | None, typer.Argument(help="With --accept: the session folder to write.", show_default=False)
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Write the session folder by the choices in prepared.toml.")
    ] = False,
    out: Annotated[Path | None, typer.Option("--out", help="The session folder, by name.")] = None,
    json: JsonOption = False,
) -> None:
    """Turn recordings into a session folder.

    The first time it reads all, chooses arrival, gate, calibration and noise,
    and writes them into RAW/prepared.toml. Look at them in RAW/prepared.html
    and edit what you know better. With --accept it writes the session folder,
    which `ingest` takes.

    Example: speakerdb prepare recordings/
    then: speakerdb prepare recordings/ --accept --out measurements/sill-5

    No sound is played. When you record: start 20 dB low, protect your ears
    above 85 dB(A), give a tweeter a tenth of its rated power at most, know
    your amplifier's limit, and follow local rules and professional advice.
    """
    from speakerdb.report import recordings_page
    from speakerdb.upkeep import recordings
    from speakerdb.words import upkeep_documents

    target = out or session
    if accept and target is None:
        raise typer.BadParameter("--accept needs the session folder to write: --out FOLDER")
    if not accept and target is not None:
        raise typer.BadParameter(f"{target} is written with --accept only")
    report = (lambda _: None) if json else _report
    if accept and target is not None:
        found = recordings.accept(raw, target, report)
        written = [target]
    else:
        found = recordings.prepare(raw, report)
        written = [recordings.write_choices(found), recordings_page.write(found)]
    if json:
        emit(upkeep_documents.prepared(found, [str(path) for path in written], accepted=accept))
        return
    for label, value in upkeep_documents.choices_told(found):
        terminal.line(f"{label}: {value}")
    for note in found.notes:
        terminal.line(f"Note: {note}")
    for question in found.questions:
        terminal.line(f"To answer: {question.found}; expected {question.expected}.")
        terminal.line(f'  If it is right so: confirmed = ["{question.key}"] in prepared.toml.')
    for path in written:
        terminal.line(f"Written: {path}")
    if accept:
        terminal.line(f"Next: speakerdb ingest {target}")
    else:
        terminal.line(f"If the choices are right: speakerdb prepare {raw} --accept --out SESSION")


def _report(file: str) -> None:
    terminal.say(file)
