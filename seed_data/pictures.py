"""The README's pictures, made from the demo: `python seed_data/pictures.py demo/speakers.duckdb`."""

from __future__ import annotations

import sys
from pathlib import Path

import vl_convert

import speakerdb
from speakerdb.charts import saving
from speakerdb.questions.tradeoff import Tradeoff
from speakerdb.report import card, pictures

FOLDER = Path(__file__).parent / "pictures"
SPEAKER, RIVAL = "sill-5", "pailplus"


def _png(chart: object, file: Path) -> None:
    """A chart as a small PNG."""
    file.write_bytes(card.smaller(vl_convert.svg_to_png(saving.svg(chart), scale=1.0)))  # type: ignore[arg-type]


def main(database: Path) -> None:
    FOLDER.mkdir(exist_ok=True)
    with speakerdb.open(database) as base:
        slug, rival = (base.find(name)[1] for name in (SPEAKER, RIVAL))
        card.save(base, slug, base.setting(slug), FOLDER / "card.png")
        shown = pictures.drawable(base.compare([slug, rival]).rows, slug, rival)
        _png(pictures.differences(base, shown), FOLDER / "differences.png")
        answer = base.ask(Tradeoff("price", "preference"))
        _png(pictures.tradeoff(base, answer, mark=slug), FOLDER / "trade-off.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
