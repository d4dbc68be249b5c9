"""The dictionary in words."""

from __future__ import annotations

from speakerdb.cli import terminal
from speakerdb.questions.metrics import Dictionary


def tell(answer: Dictionary) -> None:
    if len(answer) > 1:
        columns = ("id", "label", "unit", "better", "definition")
        terminal.table(columns, list(answer.rows.select(columns).iter_rows()))
        return
    words = {"matters": terminal.metric_of(answer["id"][0]).matters_words}
    for name, value in answer.rows.row(0, named=True).items():
        terminal.line(f"{name + ':':12}{words.get(name, value)}")
