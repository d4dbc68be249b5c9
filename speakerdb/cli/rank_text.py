"""A ranking in words."""

from __future__ import annotations

from typing import Any

from speakerdb.cli import terminal
from speakerdb.questions.rank import Ranking

_DIRECTION = {
    "high": "highest first",
    "low": "lowest first",
    "neither": "highest first; neither direction is better",
}


def tell(answer: Ranking) -> None:
    m = terminal.metric_of(answer.metric)
    jointly = "rank_joint_low" in answer.rows.columns
    how = ", with filters" if answer.equalised else ""
    terminal.line(f"{m.label} ({m.unit}), {_DIRECTION[m.better]}{how}{terminal.among(answer.filters)}")
    if len(answer.rows):
        terminal.table(
            ["place", *(["all together"] if jointly else []), "speaker", "setting", m.unit, "95 % interval"],
            [
                [
                    _place(r),
                    *([_range(r, "_joint")] if jointly else []),
                    r["speaker"],
                    r["setting"],
                    m.quantity.number(r["value"], r["censored"], r["other_value"]),
                    m.quantity.interval(r["low"], r["high"]),
                ]
                for r in answer.rows.iter_rows(named=True)
            ],
            right=(0, *((1,) if jointly else ()), 3 + jointly, 4 + jointly),
            spare=() if answer.rows["speaker"].is_duplicated().any() else (2 + jointly,),
        )
        for sentence in answer.cautions:
            terminal.line(f"{sentence}.")
    else:
        terminal.line("No speaker has this value and passes the filters.")
    terminal.not_judged(answer.withheld)


def _place(row: dict[str, Any]) -> str:
    return str(row["rank"]) if row["rank_low"] == row["rank_high"] else f"{row['rank']} ({_range(row, '')})"


def _range(row: dict[str, Any], which: str) -> str:
    low, high = row[f"rank{which}_low"], row[f"rank{which}_high"]
    return "–" if low is None else str(low) if low == high else f"{low}–{high}"
