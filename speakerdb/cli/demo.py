"""`speakerdb demo`: the whole job on the invented fleet, told step by step with the commands a user would type."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Annotated

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import app
from speakerdb.errors import StoreError

ROOM = "shortlist --distance 3 --volume 60 --level 96 --budget 1500 --top 5"
# Who asks, then (what is asked, the command): {folder} is the demo's, and the database is given to each by the
# environment
_PARTS: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = (
    (
        "The reviewer has just measured the Sill 5",
        (
            ("What is it like?", "show alder-fen-sill-5"),
            ("Which speakers measure like it?", "match alder-fen-sill-5 --top 5"),
            (
                "And in what does it differ from its larger sister, as far as the measurements can tell?",
                "compare alder-fen-sill-5 alder-fen-sill-6 --metric f6_hz --metric preference --metric "
                "tone_width_horizontal_deg "
                "--metric programme_level_db",
            ),
            (
                "How deep does its bass reach among those that cost no more than 1,000 a pair?",
                "rank f6_hz --price-max 1000 --top 8 --out {folder}/bass-ranks.html",
            ),
            ("And among all, by predicted preference?", "rank preference --top 8"),
            ("Where does its bass figure come from?", "explain alder-fen-sill-5 f6_hz"),
            ("Which switch position suits a monitor 0.4 m from the wall?", "settings bradawl-5 --wall 0.4"),
            ("A maker claims a maximum of 118 dB. Is that believable?", "claim weir-2"),
            (
                "Can I have all that is known of the Sill 5 on one page?",
                "report alder-fen-sill-5 --out {folder}/sill-5.html",
            ),
            ("And the figures filled into the text I am writing?", "draft {folder}/review.md"),
        ),
    ),
    (
        "The buyer has a living room of 60 m³, a seat at 3 m and 1,500 to spend",
        (
            (
                "I want peaks of 96 dB, and the wall is 0.6 m behind. What fits, and how sure is that?",
                f"{ROOM} --wall 0.6",
            ),
            (
                "With a subwoofer below 80 Hz, my 50 W amplifier, and getting up now and then?",
                f"{ROOM} --subwoofer 80 --amplifier 50 --standing",
            ),
        ),
    ),
    (
        "The analyst looks across designs",
        (
            (
                "Does a higher price buy a better rating, and where does it stop?",
                "tradeoff price preference --top 8 --out {folder}/price-and-preference.html",
            ),
            ("Did directivity change over the years?", "trend di_power_mean_db --over year"),
            (
                "Do coaxial designs really keep their tone above and below the axis?",
                "trend tone_width_vertical_deg --over layout",
            ),
            ("What could not be judged in the field, and why?", "query why_withheld"),
        ),
    ),
)
_FILES = {
    "sill-5.html": "the report of one speaker, a page for any browser",
    "bass-ranks.html": "the places in bass, with those that each speaker can have",
    "price-and-preference.html": "predicted preference against price, and who is on the frontier",
    "review.md": "a reviewer's text with gaps to fill",
    "review.filled.md": (
        "the same, filled; run `speakerdb draft` again when the database has grown, and it says what no longer holds"
    ),
}


def demo(
    folder: Annotated[Path, typer.Argument(help="Where the demo's files go.")] = Path("demo"),
) -> None:
    """Run the whole job on an invented fleet; the files stay.

    Example: speakerdb demo
    """
    import shutil

    from speakerdb.resources import resource_dir

    file = folder / "speakers.duckdb"
    if file.exists():
        raise StoreError(f"{file} exists: the demo has been run here. Look at it, delete it, or name another folder")
    folder.mkdir(parents=True, exist_ok=True)
    seed = resource_dir("seed_data")
    shutil.copyfile(seed / "review.md", folder / "review.md")
    terminal.line(
        "An invented fleet, measured by the volunteers of an invented tool-lending library, goes into a new database."
    )
    terminal.line("All makers, models, people and numbers are made up; the physics is not.")
    # Intervals wait for the error model that counts: to work them out under the defaults first would cost as much again
    _step(f"ingest --no-intervals {shlex.quote(str(seed / 'fleet'))}", file)
    terminal.line(
        "\n━━ How large are the errors of these two benches, by their own repeats and the speakers they share?"
    )
    _step("derive --adopt", file)
    for who, steps in _PARTS:
        terminal.line(f"\n\n━━━━ {who}")
        for question, command in steps:
            terminal.line(f"\n━━ {question}")
            _step(command.replace("{folder}", shlex.quote(str(folder))), file)
    _farewell(folder, file)


def _farewell(folder: Path, file: Path) -> None:
    terminal.line(f"\n\nTo look at, in {folder}:")
    terminal.table(["file", "what it is"], [[name, what] for name, what in _FILES.items()])
    terminal.line(
        f"\nThe database stays in {file} ({figures.megabytes(file.stat().st_size)}). Ask it more, for example:"
    )
    terminal.line(f"  export SPEAKERDB_FILE={shlex.quote(str(file))}")
    for example in ("speakerdb list", "speakerdb metrics", "speakerdb rank tone_width_vertical_deg", "speakerdb serve"):
        terminal.line(f"  {example}")
    terminal.line("Your own measurements: speakerdb ingest YOUR_FOLDER")


def _step(command: str, file: Path) -> None:
    """Show the command as one would type it, run it, and stop the demo if it fails."""
    terminal.line(f"\n$ speakerdb {command}\n")
    os.environ["SPEAKERDB_FILE"] = str(file)
    app(shlex.split(command), standalone_mode=False)
