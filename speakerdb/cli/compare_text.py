"""Differences in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.compare import Comparison

if TYPE_CHECKING:
    import polars as pl


def tell(answer: Comparison) -> None:
    from speakerdb.words.compare_words import contrast_words, real_words

    for (a, setting_a, b, setting_b), pair in answer.rows.group_by(
        ["a", "setting_a", "b", "setting_b"], maintain_order=True
    ):
        terminal.line(f"{a} ({setting_a}) against {b} ({setting_b}), {answer.about}")
        _differences(pair)
        for words in contrast_words(list(zip(pair["metric"], pair["because"], strict=True))):
            terminal.line(f"{words[0].upper()}{words[1:]}.")
        terminal.line()
    for (a, b, reason), group in answer.withheld.group_by(["a", "b", "reason"], maintain_order=True):
        terminal.line(f"Not compared, {a} against {b} ({', '.join(group['metric'])}): {reason}")
    terminal.line(real_words(answer.differing, answer.real, len(answer)))
    terminal.line("Marked *: its whole 95 % interval lies on one side. × : A is so many times B.")
    terminal.line("'Matters' is yes or no only where the whole interval says so.")
    terminal.cautions(answer.cautions)


def _differences(pair: pl.DataFrame) -> None:
    terminal.table(
        ["metric", "A", "B", "A − B, × A/B", "95 % interval", "A better", "matters"],
        [_difference(r) for r in pair.iter_rows(named=True)],
        right=(1, 2, 3, 4, 5),
    )


def _difference(row: dict[str, Any]) -> list[str]:
    m = terminal.metric_of(row["metric"])
    mark = " *" if row["differs"] else "  "
    return [
        terminal.name(m),
        m.quantity.number(row["value_a"], row["censored_a"]),
        m.quantity.number(row["value_b"], row["censored_b"]),
        m.quantity.difference(row["difference"]) + mark,
        m.quantity.difference_interval(row["low"], row["high"]),
        "" if row["p_a_better"] is None else figures.probability(row["p_a_better"]),
        row["matters"],
    ]
