"""Regenerates the demo fleet: `python seed_data/generate.py [--out DIR] [--first N]`. Seeded; the same bytes every time."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

if __package__ in {None, ""}:  # run as a script: find the package beside us, behind everything else on the path
    sys.path.append(str(Path(__file__).resolve().parents[1]))

from seed_data.model.speaker import FINE_ORBIT_DEG, ORBIT_DEG, Field, field_of
from seed_data.plan import Visit, visits
from seed_data.writing import write_session

FLEET = Path(__file__).resolve().parent / "fleet"


def generate(out: Path, chosen: Sequence[Visit]) -> list[Path]:
    """Write the chosen visits under `out`; each design's sound field is worked out once for all its settings."""
    fields: dict[tuple[str, str], dict[str, Field]] = {}
    written = []
    for visit in chosen:
        design = visit.design
        key = (design.maker, design.model)
        if key not in fields:
            fine = any(v.angles == "fine" for v in chosen if v.design is design)
            of_settings = field_of(design, design.settings, FINE_ORBIT_DEG if fine else ORBIT_DEG)
            fields[key] = {s.name: f for s, f in zip(design.settings, of_settings, strict=True)}
        written.append(write_session(out, visit, fields[key][visit.setting]))
    return written


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=FLEET, help="folder to write into (default: seed_data/fleet)")
    parser.add_argument("--first", type=int, default=None, help="only the first N sessions")
    chosen = parser.parse_args(arguments)
    written = generate(chosen.out, visits()[: chosen.first])
    print(f"{len(written)} sessions in {chosen.out}")


if __name__ == "__main__":
    main()
