"""Regenerates the demo fleet: `python seed_data/generate.py [--out DIR] [--first N]`. Seeded; the same bytes every time."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

if __package__ in {None, ""}:  # run as a script: find the package beside us, behind everything else on the path
    sys.path.append(str(Path(__file__).resolve().parents[1]))

from seed_data.model.speaker import field_of
from seed_data.plan import Visit, visits
from seed_data.writing import write_session

FLEET = Path(__file__).resolve().parent / "fleet"


def generate(out: Path, chosen: Sequence[Visit]) -> list[Path]:
    """Write the chosen visits under `out`; each design's sound field is worked out once for all its settings."""
    fields: dict[tuple[str, str], object] = {}
    written = []
    for visit in chosen:
        key = (visit.design.maker, visit.design.model)
        if key not in fields:
            settings = visit.design.settings
            fields[key] = dict(zip([s.name for s in settings], field_of(visit.design, settings), strict=True))
        field = fields[key][visit.setting]  # type: ignore[index]
        written.append(write_session(out, visit, field))
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
