"""Differences in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.compare import Comparison

if TYPE_CHECKING:
    import polars as pl


def tell(answer: Comparison) -> None:
    from speakerdb.analysis import noticing
    from speakerdb.words.compare_words import contrast_words, real_words

    for (a, setting_a, b, setting_b), pair in answer.rows.group_by(
        ["a", "setting_a", "b", "setting_b"], maintain_order=True
    ):
        terminal.line(f"A: {a} ({setting_a}). B: {b} ({setting_b}). {answer.about[:1].upper()}{answer.about[1:]}.")
        shown = noticing.families(pair)
        for word, heading in noticing.GROUPS.items():
            rows = shown.filter(noticed=word)
            if len(rows) and word in {"small", "unclear"}:
                terminal.line(f"{heading}: {figures.listing([_name(r) for r in rows.iter_rows(named=True)])}.")
            elif len(rows):
                terminal.line(f"{heading}:")
                _differences(rows)
        for words in contrast_words(list(zip(pair["metric"], pair["because"], strict=True))):
            terminal.line(f"{words[0].upper()}{words[1:]}.")
        terminal.line()
    for (a, b, reason), group in answer.withheld.group_by(["a", "b", "reason"], maintain_order=True):
        labels = [terminal.metric_of(m).phrase for m in group["metric"]]
        terminal.line(f"Not compared, {a} against {b} ({figures.listing(labels)}): {reason}")
    terminal.line(real_words(answer.differing, answer.real, len(answer)))
    terminal.line("× : A is so many times B. (+2): two more of its family, alike; --json has every row.")
    terminal.cautions(answer.cautions)


def _name(row: dict[str, Any]) -> str:
    return terminal.metric_of(row["metric"]).phrase + (f" (+{row['alike']})" if row["alike"] else "")


def _differences(rows: pl.DataFrame) -> None:
    terminal.table(
        ["metric", "A", "B", "A − B, × A/B", "95 % interval", "better"],
        [_difference(r) for r in rows.iter_rows(named=True)],
        right=(1, 2, 3, 4),
    )


def _difference(row: dict[str, Any]) -> list[str]:
    m = terminal.metric_of(row["metric"])
    better = "" if m.better == "neither" or row["steps"] is None else "A" if row["steps"] > 0 else "B"
    return [
        terminal.name(m) + (f" (+{row['alike']})" if row["alike"] else ""),
        m.quantity.number(row["value_a"], row["censored_a"]),
        m.quantity.number(row["value_b"], row["censored_b"]),
        m.quantity.difference(row["difference"]),
        m.quantity.difference_interval(row["low"], row["high"]),
        better if row["noticed"] != "small" else "",
    ]
