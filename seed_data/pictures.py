"""The README's pictures, made from the demo as a user would: `python seed_data/pictures.py demo/speakers.duckdb`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

FOLDER = Path(__file__).parent / "pictures"
COMMANDS = {
    "card.png": "card sill-5",
    "differences.svg": "compare sill-5 pailplus --picture differences",
    "trade-off.svg": "tradeoff price preference",
}


def main(database: str) -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, command in COMMANDS.items():
        subprocess.run(
            ["speakerdb", *command.split(), "--out", str(FOLDER / name), "--db", database],
            check=True,
        )


if __name__ == "__main__":
    main(sys.argv[1])
