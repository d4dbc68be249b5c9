"""A question as a command: its options are the question's fields, its answer is told in words, drawn, or given as one
JSON document."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from contextlib import nullcontext
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from speakerdb.cli.common import DbOption, JsonOption, cite, emit, open_database
from speakerdb.declare import AskError, Part, Question, as_command, parts


def _out_option(question: type[Question[Any]]) -> Any:
    drawn = ["Draw the answer as FILE.html (interactive), .png or .svg."] if question.pictures else []
    written = [f"Write it as FILE{' or '.join(question.files)}."] if question.files else []
    return Annotated[Path | None, typer.Option("--out", help=" ".join([*drawn, *written]), show_default=False)]


def command(question: type[Question[Any]]) -> Callable[..., None]:
    """The command that asks a question: its words stand in cli/<name>_text.py, as `tell(answer)`."""

    def run(**given: Any) -> None:
        db, json, out, picture = (given.pop(name, None) for name in ("db", "json", "out", "picture"))
        asked = made(question, given)
        tell = import_module(f"speakerdb.cli.{question.name}_text").tell
        if picture is not None and picture not in question.pictures:
            raise typer.BadParameter(
                f"{picture!r} is not one of {', '.join(question.pictures)}", param_hint="--picture"
            )
        with open_database(db) if question.needs_database else nullcontext() as base:
            try:
                answer = asked.answer(base)
            except AskError as error:
                raise usage(question, error) from error
            if out is not None and (out.suffix.lower() in question.files or not question.pictures):
                write(out, question, answer)
            elif out is not None:
                draw(out, base, asked, answer, picture or question.pictures[0])
            if json:
                from speakerdb.questions.documents import document

                emit(document(base.state if base else None, answer))
                return
            tell(answer)
            if base:
                cite(base)

    own = [one for part in parts(question) for one in _parameters(part)]
    drawn = [_keyword("out", _out_option(question), None)] if question.pictures or question.files else []
    if len(question.pictures) > 1:
        words = Annotated[str, typer.Option("--picture", help=f"What --out draws: {', '.join(question.pictures)}.")]
        drawn.append(_keyword("picture", words, question.pictures[0]))
    every = [*own, *drawn, _keyword("db", DbOption, None), _keyword("json", JsonOption, False)]
    run.__signature__ = inspect.Signature(every)  # type: ignore[attr-defined]
    run.__annotations__ = {p.name: p.annotation for p in every}
    run.__name__ = question.name
    run.__doc__ = f"{inspect.getdoc(question)}\n\nExample: {as_command(question(**question.example))}"
    return run


def made(question: type[Question[Any]], given: dict[str, Any]) -> Question[Any]:
    """The question that the options ask; a usage error where something is wrong with one."""
    for part in parts(question):
        if part.ask.switches:
            chosen = [word for word, _ in part.ask.switches if given.pop(word)]
            if len(chosen) > 1:
                names = " and ".join(f"--{word.replace('_', '-')}" for word in chosen)
                raise typer.BadParameter(
                    f"{names} can't both be: give one of the two", param_hint=f"--{chosen[-1].replace('_', '-')}"
                )
            given |= {part.name: chosen[0]} if chosen else {}
    try:
        return question(**given)
    except AskError as error:
        raise usage(question, error) from error


def usage(question: type[Question[Any]], error: AskError) -> typer.BadParameter:
    """The same as a usage error beside its option."""
    part = next((p for p in parts(question) if p.name == error.field), None)
    hint = error.field if part is None else part.name.upper() if part.ask.place is not None else part.switch
    return typer.BadParameter(error.message, param_hint=hint)


def _keyword(name: str, annotation: Any, default: Any) -> inspect.Parameter:
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)


def _parameters(part: Part) -> list[inspect.Parameter]:
    """A field as options of the command: one, or one a word where its words are options of their own."""
    if part.ask.switches:
        return [
            _keyword(word, Annotated[bool, typer.Option(f"--{word.replace('_', '-')}", help=help_)], False)
            for word, help_ in part.ask.switches
        ]
    help_ = part.ask.help + (f" One of {', '.join(part.words)}." if part.words else "")
    if part.ask.place is not None:
        kind: Any = typer.Argument(help=help_)
    else:
        kind = typer.Option(part.switch, help=help_)
    type_: Any = list[part.type] if part.many else part.type  # type: ignore[name-defined]
    default = inspect.Parameter.empty if part.needed else None if part.is_open else part.default
    return [_keyword(part.name, Annotated[type_ | None if part.is_open else type_, kind], default)]


def write(out: Path, question: type[Question[Any]], answer: Any) -> None:
    """Write the answer as a file, and say so on standard error. Raises RequestError."""
    from speakerdb.charts import saving
    from speakerdb.cli import terminal

    suffix = out.suffix.lower()
    if suffix not in question.files:
        raise typer.BadParameter(
            f"{out} ends in {suffix or 'nothing'}; expected {' or '.join(question.files)}", param_hint="--out"
        )
    saving.write(out, answer.as_file(suffix).encode())
    terminal.say(f"Written: {out}")


def draw(out: Path, base: Any, asked: Question[Any], answer: Any, picture: str) -> None:
    """Write the picture of an answer, and say so on standard error."""
    from speakerdb.charts import saving
    from speakerdb.cli import terminal
    from speakerdb.report import pictures

    saving.checked(out)
    title, drawn = pictures.of_answer(base, asked, answer, picture)
    saving.save(drawn, out, title=title)
    terminal.say(f"Drawn: {out}")
