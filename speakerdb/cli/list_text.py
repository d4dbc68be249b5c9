"""What is stored, in words."""

from __future__ import annotations

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.list import Listing


def tell(answer: Listing) -> None:
    unit = answer.rows["currency"][0] if len(answer) else None
    terminal.table(
        [
            "speaker",
            "kind",
            "powered",
            "year",
            "volume (l)",
            "mass (kg)",
            f"price, pair ({unit or 'none known'})",
            "settings",
            "sessions",
            "labs",
            "samples",
        ],
        [
            [
                r["speaker"],
                r["kind"],
                {True: "yes", False: "no"}.get(r["powered"]),
                r["year"],
                *(figures.FACTS[name].number(r[name]) for name in ("volume_l", "mass_kg", "price")),
                ", ".join(r["settings"]),
                r["sessions"],
                ", ".join(r["labs"]),
                r["samples"],
            ]
            for r in answer.rows.iter_rows(named=True)
        ],
        right=(3, 4, 5, 6, 8, 10),
    )
