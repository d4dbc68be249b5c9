"""Regenerates the demo fleet: `python seed_data/generate.py [--out DIR] [--first N] [--seed TEXT]`, the same bytes
every time."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

if __package__ in {None, ""}:  # run as a script: find the package beside us, behind everything else on the path
    sys.path.append(str(Path(__file__).resolve().parents[1]))

from seed_data.errors import Errors
from seed_data.model.noise import SEED
from seed_data.model.speaker import Field, field_of
from seed_data.plan import Visit, slug, visits
from seed_data.writing import write_session

FLEET = Path(__file__).resolve().parent / "fleet"


def generate(out: Path, chosen: Sequence[Visit], errors: Errors) -> list[Path]:
    """Write the chosen visits under `out`; each design's sound field is worked out once for all its settings."""
    fields: dict[tuple[str, bool], dict[str, Field]] = {}
    written = []
    for visit in chosen:
        key = (slug(visit.design), visit.angles == "fine")
        if key not in fields:
            settings = visit.design.settings
            of_settings = field_of(visit.design, settings, visit.orbit_deg)
            fields[key] = {s.name: f for s, f in zip(settings, of_settings, strict=True)}
        written.append(write_session(out, visit, fields[key][visit.setting], errors))
    return written


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=FLEET, help="folder to write into (default: seed_data/fleet)")
    parser.add_argument("--first", type=int, default=None, help="only the first N sessions")
    parser.add_argument(
        "--seed", default=SEED, help=f"another seed, other errors (default: {SEED!r}, the committed fleet)"
    )
    chosen = parser.parse_args(arguments)
    written = generate(chosen.out, visits()[: chosen.first], Errors(chosen.seed))
    print(f"{len(written)} sessions in {chosen.out}")


if __name__ == "__main__":
    main()
