"""Benches in words."""

from __future__ import annotations

from speakerdb.cli import terminal
from speakerdb.questions.bench_list import BenchList


def tell(answer: BenchList) -> None:
    terminal.table(
        ["lab", "method", "calibration", "sessions", "in line with"], list(answer.rows.iter_rows()), right=(3,)
    )
    for sentence in answer.cautions:
        terminal.line(f"{sentence[:1].upper()}{sentence[1:]}.")
