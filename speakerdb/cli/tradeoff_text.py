"""A trade-off in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.tradeoff import TradeOff

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.properties import Property


def tell(answer: TradeOff) -> None:
    x, y = answer.of_x, answer.of_y
    terminal.line(f"{y.label} against {x.name}{terminal.among(answer.filters)}")
    _trades(answer.rows, x, y)
    if not len(answer.rows):
        terminal.line("No speaker has both and passes the filters.")
    if len(answer.line):
        ends = " to ".join(
            f"{y.quantity.number(p['fit'])} ({y.quantity.interval(p['low'], p['high'])}) at {x.quantity.number(p['x'])}"
            for p in (answer.line.row(0, named=True), answer.line.row(-1, named=True))
        )
        terminal.line(f"The line that one in ten beats runs from {ends}.")
    terminal.not_judged(answer.not_judged)
    for line in answer.notes:
        terminal.line(line)
    terminal.cautions(answer.cautions)


def _trades(rows: pl.DataFrame, x: Property, y: Property) -> None:
    from speakerdb.words.room_words import chance_text

    headings = [
        "speaker",
        "setting",
        _heading(x),
        _heading(y),
        "on the frontier",
        f"beaten from ({x.unit or x.label})",
        "by",
        "expected",
        "95 % interval",
        "makers",
        "beats it",
    ]
    cells = [
        [
            r["speaker"],
            r["setting"],
            x.quantity.number(r["x"], r["x_censored"]),
            y.quantity.number(r["y"], r["y_censored"]),
            chance_text(r["p_frontier_low"], r["p_frontier_high"]),
            "never" if r["beaten_from"] is None and r["beaten_reason"] is None else x.quantity.number(r["beaten_from"]),
            r["beaten_by"],
            y.quantity.number(r["expected"]),
            y.quantity.interval(r["low"], r["high"]) or "–",
            r["makers"],
            {"better": "yes", "worse": "falls short", "as_expected": ""}.get(r["beats"] or "", "–"),
        ]
        for r in rows.iter_rows(named=True)
    ]
    left_out = () if x.fact else (5, 6)
    shown = [i for i in range(len(headings)) if i not in left_out]
    terminal.table(
        [headings[i] for i in shown],
        [[row[i] for i in shown] for row in cells],
        right=[shown.index(i) for i in (2, 3, 4, 5, 7, 8, 9) if i in shown],
        spare=(1,),
    )


def _heading(one: Property) -> str:
    return figures.headed(one.label, one.unit)
