"""The field as a table, in words."""

from __future__ import annotations

from typing import Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.table import TablePart


def tell(answer: TablePart) -> None:
    from speakerdb.answering.tabling import FACTS
    from speakerdb.metrics import METRICS

    headings = [terminal.name(METRICS[c]) if c in METRICS else FACTS[c] for c in answer.columns]
    numbers = [i for i, c in enumerate(answer.columns, 1) if c in METRICS or c in figures.FACTS or c == "sessions"]
    terminal.table(
        ["speaker", *headings],
        [[r["speaker"], *(_cell(r, c) for c in answer.columns)] for r in answer.rows.iter_rows(named=True)],
        right=numbers,
    )
    last = answer.start + len(answer.rows)
    if last - answer.start < answer.total:
        terminal.line(f"Rows {answer.start + 1}–{last} of {answer.total}; --start and --count give others.")
    terminal.not_judged(answer.not_judged)


def _cell(row: dict[str, Any], column: str) -> str | None:
    from speakerdb.metrics import METRICS

    if column in METRICS:
        m = row["metrics"][column]
        return METRICS[column].quantity.number(m["value"], m["censored"], m["other_value"])
    if column in figures.FACTS:
        return figures.FACTS[column].number(row[column])
    value = row[column]
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else None if value is None else str(value)
