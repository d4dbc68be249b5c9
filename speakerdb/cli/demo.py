"""`speakerdb demo`: the whole job on the invented fleet, told step by step with the commands a user would type."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Annotated

import typer

from speakerdb.cli import text
from speakerdb.errors import StoreError

# (what is asked, the command): the database is given to each by --db
_STEPS: tuple[tuple[str, str], ...] = (
    ("The reviewer has just measured the Sill 5. What is it like?", "show alder-fen-sill-5"),
    (
        "Which speakers are its nearest relatives, and in which respect do they differ?",
        "match alder-fen-sill-5 --top 5",
    ),
    (
        "How does its bass compare with others that cost no more than 1,000 a pair?",
        "rank f6_hz --price-max 1000 --top 8",
    ),
    ("And its predicted preference, in the whole field?", "rank preference --top 8"),
    ("Where does its bass figure come from?", "explain alder-fen-sill-5 f6_hz"),
    (
        "A buyer: 60 m³, the seat at 3 m, peaks of 96 dB, at most 1,500 a pair, the wall 0.6 m behind. What fits?",
        "shortlist --distance 3 --volume 60 --level 96 --budget 1500 --wall 0.6",
    ),
    (
        "And with a subwoofer below 80 Hz, a 50 W amplifier, and getting up now and then?",
        "shortlist --distance 3 --volume 60 --level 96 --budget 1500 --subwoofer 80 --amplifier 50 --standing --top 5",
    ),
    ("Which switch position suits a monitor so close to a wall?", "settings bradawl-5 --wall 0.4"),
    ("Is a claimed maximum of 118 dB believable?", "claim weir-2"),
    ("What could not be judged in the field, and why?", "query why_withheld"),
)


def demo(
    folder: Annotated[Path, typer.Argument(help="Where the demo's files go.")] = Path("demo"),
) -> None:
    """Build the demo fleet's database, run the whole job on it, leave the files to look at.

    Example: speakerdb demo
    """
    from speakerdb.resources import resource_dir

    file = folder / "speakers.duckdb"
    if file.exists():
        raise StoreError(f"{file} exists: the demo has been run here. Look at it, delete it, or name another folder")
    folder.mkdir(parents=True, exist_ok=True)
    fleet = resource_dir("seed_data") / "fleet"
    text.line(
        "An invented fleet, measured by the volunteers of an invented tool-lending library, goes into a new database."
    )
    text.line("All makers, models, people and numbers are made up; the physics is not.")
    _step(f"ingest {shlex.quote(str(fleet))}", file)
    for question, command in _STEPS:
        text.line(f"\n\n━━ {question}")
        _step(command, file)
    text.line(f"\n\nThe database stays in {file} ({file.stat().st_size / 1e6:.1f} MB). Ask it more, for example:")
    text.line(f"  export SPEAKERDB_FILE={shlex.quote(str(file))}")
    for example in ("speakerdb list", "speakerdb metrics", "speakerdb rank tone_width_vertical_deg", "speakerdb query"):
        text.line(f"  {example}")
    text.line("Your own measurements: speakerdb ingest YOUR_FOLDER")


def _step(command: str, file: Path) -> None:
    """Show the command as one would type it, run it, and stop the demo if it fails."""
    from speakerdb.cli.main import app

    text.line(f"\n$ speakerdb {command}\n")
    os.environ["SPEAKERDB_FILE"] = str(file)
    app(shlex.split(command), standalone_mode=False)
