"""The `speakerdb` program: registers the commands, turns errors into plain words or JSON, sets the exit code."""

from __future__ import annotations

import gc
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

from typer.exceptions import Abort, Exit, TyperException

from speakerdb.cli import curating, keeping, preparing, querying, reporting, serving
from speakerdb.cli.commands import command
from speakerdb.cli.common import app
from speakerdb.cli.demo import demo
from speakerdb.cli.terminal import LOOK, OPTIONS, escaped
from speakerdb.errors import SpeakerdbError
from speakerdb.questions import QUESTIONS
from speakerdb.terms import ALGEBRA_THREADS

DONE, REFUSED, USAGE, INTERRUPTED = 0, 1, 2, 130

for _command in (demo, preparing.prepare, keeping.ingest):
    app.command()(_command)
for _question in QUESTIONS:
    app.command(_question.name)(command(_question))
_others: tuple[Callable[..., None], ...] = (
    querying.query,
    curating.facts,
    curating.withdraw,
    curating.rename,
    curating.merge,
    keeping.derive,
    keeping.upgrade,
    keeping.export,
    keeping.verify,
    keeping.repair,
    reporting.report,
    reporting.card,
    reporting.draft,
    serving.serve,
    serving.publish,
)
for _other in _others:
    app.command()(_other)


def _fail(message: str, document: dict[str, object], json: bool, code: int) -> int:
    from speakerdb.cli.common import emit

    if json:
        emit(document)
    sys.stderr.write(escaped(message.rstrip()) + "\n")
    return code


def run(arguments: list[str] | None = None) -> None:
    """Entry point: exits with 0, 1 or 2 (130 when interrupted)."""
    # what a command makes lives about as long as it does: looking for rubbish at every 700 objects takes a tenth of its
    # time
    gc.set_threshold(100_000)
    if arguments is None:  # as a program: on products as small as these, more threads only wait for each other
        for name in ALGEBRA_THREADS:
            os.environ.setdefault(name, "1")
    given = sys.argv[1:] if arguments is None else arguments
    LOOK.wide, LOOK.ids = (option in given for option in OPTIONS)
    given = [word for word in given if word not in OPTIONS]
    sys.exit(_run(given, json="--json" in given))


def _run(arguments: list[str], *, json: bool) -> int:
    try:
        result = app(arguments, standalone_mode=False)
        return result if isinstance(result, int) else DONE
    except Exit as stop:
        return stop.exit_code
    except (Abort, KeyboardInterrupt):
        sys.stderr.write("interrupted; what was reported as stored is stored\n")
        return INTERRUPTED
    except TyperException as error:
        from speakerdb.questions import documents

        message = error.format_message()
        return _fail(f"usage: {message}\nTry `speakerdb --help`.", documents.usage_error(message), json, USAGE)
    except SpeakerdbError as error:
        from speakerdb.questions import documents

        items = "".join(f"\n  {item}" for item in error.items)
        return _fail(f"error: {error.message}{items}", documents.error(error), json, REFUSED)
    except BrokenPipeError:
        sys.stderr.close()  # the reader of a pipe went away: not an error of ours
        return DONE
    except Exception as error:
        from speakerdb.questions import documents

        fault = _fault(error)
        return _fail(f"error: {fault.message}", documents.error(fault), json, REFUSED)


def _fault(error: Exception) -> SpeakerdbError:
    """What no command foresaw, in words: a fault of the file or of the disk, else one of this program."""
    from speakerdb.errors import StoreError
    from speakerdb.store import connection

    if (told := connection.in_words(error)) is not None:
        return StoreError(told)
    if isinstance(error, OSError) and error.filename is not None:
        return StoreError(f"{error.filename}: {error.strerror or error}")
    here = [f for f in traceback.extract_tb(error.__traceback__) if "speakerdb" in f.filename]
    place = f", at {Path(here[-1].filename).name} line {here[-1].lineno}" if here else ""
    return StoreError(
        f"something this program did not foresee ({type(error).__name__}: {str(error)[:200]}{place}). If the file "
        "may be damaged, `speakerdb verify --deep` tells; else please report it"
    )


if __name__ == "__main__":
    run()
