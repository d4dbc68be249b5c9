"""The `speakerdb` program: registers the commands, turns errors into plain words or JSON, sets the exit code."""

from __future__ import annotations

import gc
import sys

from typer.exceptions import Abort, Exit, TyperException

from speakerdb.cli import asking, comparing, curating, keeping, manual, reporting, rooms, serving, settling
from speakerdb.cli.common import app
from speakerdb.cli.demo import demo
from speakerdb.errors import SpeakerdbError

DONE, REFUSED, USAGE, INTERRUPTED = 0, 1, 2, 130

app.command()(demo)
app.command()(keeping.ingest)
app.command("list")(asking.list_speakers)
for _command in (asking.show, asking.explain, asking.metrics, manual.method, asking.rank, asking.match, asking.query):
    app.command()(_command)
for _command in (
    comparing.compare,
    comparing.percentile,
    settling.settle,
    comparing.tradeoff,
    comparing.trend,
    comparing.labs,
):
    app.command()(_command)
for _command in (rooms.shortlist, rooms.settings, rooms.claim):
    app.command()(_command)
for _command in (curating.facts, curating.withdraw, curating.rename, curating.merge):
    app.command()(_command)
for _command in (keeping.derive, keeping.upgrade, keeping.export, keeping.verify):
    app.command()(_command)
for _command in (reporting.report, reporting.draft):
    app.command()(_command)
for _command in (serving.serve, serving.publish):
    app.command()(_command)


def _fail(message: str, document: dict[str, object], json: bool, code: int) -> int:
    from speakerdb.cli.common import emit

    if json:
        emit(document)
    sys.stderr.write(message.rstrip() + "\n")
    return code


def run(arguments: list[str] | None = None) -> None:
    """Entry point: exits with 0, 1 or 2 (130 when interrupted)."""
    # what a command makes lives about as long as it does: looking for rubbish at every 700 objects takes a tenth of its time
    gc.set_threshold(100_000)
    given = sys.argv[1:] if arguments is None else arguments
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
        from speakerdb.words import documents

        message = error.format_message()
        return _fail(f"usage: {message}\nTry `speakerdb --help`.", documents.usage_error(message), json, USAGE)
    except SpeakerdbError as error:
        from speakerdb.words import documents

        items = "".join(f"\n  {item}" for item in error.items)
        return _fail(f"error: {error.message}{items}", documents.error(error), json, REFUSED)
    except BrokenPipeError:
        sys.stderr.close()  # the reader of a pipe went away: not an error of ours
        return DONE


if __name__ == "__main__":
    run()
