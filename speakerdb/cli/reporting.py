"""Commands that write: the review sheet and the draft; and the `--out` that other commands draw to."""

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
from speakerdb.errors import RequestError

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.library import Database
    from speakerdb.questions.compare import CompareAnswer
    from speakerdb.questions.overview import TradeOffAnswer, TrendAnswer

OutOption = Annotated[
    Path | None,
    typer.Option("--out", help="Draw the answer as FILE.html (interactive), .png or .svg.", show_default=False),
]


def draw(out: Path | None, title: str, chart: Callable[[], Any]) -> None:
    """Write a chart where --out asks for one, and say so on standard error."""
    if out is None:
        return
    from speakerdb.charts import saving

    saving.checked(out)
    saving.save(chart(), out, title=title)
    terminal.say(f"Drawn: {out}")


PICTURES_HELP = (
    "What --out draws: curves, angles, map-horizontal, map-vertical, beamwidth, tone, distortion, compression, output, "
    "settings or place."
)


def speaker_picture(base: Database, slug: str, setting: str | None, picture: str) -> Any:
    """What `show --out` draws."""
    from speakerdb.report import pictures

    return pictures.of_speaker(picture, pictures.Ask(base, slug, base.setting(slug, setting)))


def rank_picture(base: Database, metric: str, frame: pl.DataFrame, filters: str) -> Any:
    """What `rank --out` draws."""
    from speakerdb.report import pictures

    return pictures.ranking(base, metric, frame, filters=filters)


def match_picture(base: Database, slug: str, frame: pl.DataFrame) -> Any:
    """What `match --out` draws: the speaker and the four that measure most like it."""
    from speakerdb.report import pictures

    return pictures.overlay(base, [slug, *frame["speaker"].to_list()[:4]])


def compare_picture(base: Database, answer: CompareAnswer, picture: str) -> Any:
    """What `compare --out` draws."""
    import polars as pl

    from speakerdb.report import pictures

    both = pl.concat([answer.rows, answer.withheld], how="diagonal_relaxed")
    sides = [f"{s}@{t}" for s, t in zip(both["a"], both["setting_a"], strict=True)]
    sides += [f"{s}@{t}" for s, t in zip(both["b"], both["setting_b"], strict=True)]
    chosen = list(dict.fromkeys(sides))
    if picture == "overlay":
        return pictures.overlay(base, chosen)
    if len(chosen) != 2:
        raise RequestError(f"differences are drawn between two speakers, not {len(chosen)}")
    return pictures.differences(base, answer.rows)


def tradeoff_picture(base: Database, answer: TradeOffAnswer, filters: str) -> Any:
    """What `tradeoff --out` draws."""
    from speakerdb.report import pictures

    return pictures.tradeoff(base, answer, filters=filters)


def trend_picture(base: Database, answer: TrendAnswer, filters: str) -> Any:
    """What `trend --out` draws: the first metric asked for."""
    from speakerdb.report import pictures

    return pictures.trend(base, answer, filters=filters)


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
    from speakerdb.charts.beside import Renderer

    with Renderer() as renderer, open_database(db) as base:  # it starts while the rest is still being loaded
        from speakerdb.report import page
        from speakerdb.words import documents

        _, slug = base.find(speaker, exact=exact)
        used = base.setting(slug, setting)
        file = page.report(base, slug, out, setting=used, exact=True, renderer=renderer)
        if json:
            emit(documents.document(base.state, speaker=slug, setting=used, file=str(file), bytes=file.stat().st_size))
            return
        terminal.line(
            f"The review sheet of {slug}, setting {used}, is in {file} ({figures.megabytes(file.stat().st_size)})."
        )
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
    """Fill the placeholders of a text, and tell what no longer agrees since the last time.

    Placeholders stand between {{ and }}: value("sill-5", "f6_hz"), interval(…), percentile(…), place(…), compare("sill-5", "sill-6",
    "f6_hz"), table(["sill-5", "sill-6"], "f6_hz", "preference"), chart("sill-5", "curves"), overlay("sill-5", "sill-6"),
    relatives("sill-5"), name("sill-5"), fact("sill-5", "mass_kg"), state().

    Example: speakerdb draft review.md
    """
    from dataclasses import asdict

    from speakerdb.report import draft as drafting
    from speakerdb.words import documents

    with open_database(db) as base:
        result = drafting.draft(base, file, out, check=check)
        if json:
            emit(
                documents.document(
                    base.state, file=str(result.out), record=str(result.record), written=result.written,
                    filled=[asdict(f) for f in result.filled], stale=[asdict(s) for s in result.stale],
                )
            )  # fmt: skip
        else:
            _tell(result)
            cite(base)
    if check and result.stale:
        raise typer.Exit(1)


def _tell(result: Any) -> None:
    if result.written:
        terminal.line(
            f"{len(result.filled)} placeholders are filled in {result.out}; what was filled is noted in {result.record}."
        )
    if not result.stale:
        terminal.line(
            "Everything filled before still agrees." if not result.written else "Nothing filled before has changed."
        )
        return
    terminal.line(
        f"{len(result.stale)} no longer agree with what was filled in state {result.stale[0].was_state} (now {result.state}):"
    )
    terminal.table(
        ["line", "placeholder", "was", "is now"],
        [[s.line, s.placeholder, s.was, s.now] for s in result.stale],
        right=(0,),
    )
