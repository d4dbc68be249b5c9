"""One speaker's values in words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from speakerdb.cli import terminal
from speakerdb.questions.show import Shown

COLUMNS = 80
NAMED = 12  # metrics that one reason withholds; more are counted, --json names them


def strip(lines: Sequence[Mapping[str, Any]]) -> None:
    """The verdict: label, number and word on one line, the sentence below."""
    labels = max(len(line["line"]) for line in lines)
    numbers = max(len(line["number"]) for line in lines)
    for line in lines:
        rest = " " * (labels + 2)
        head = f"{line['line']:<{labels}}  {line['number']:<{numbers}}  "
        if len(head) + len(line["word"]) > COLUMNS:
            head = f"{line['line']:<{labels}}  {line['number']}  "
        if not line["number"]:  # a sentence alone
            texts = [(f"{line['line']:<{labels}}  ", line["sentence"])]
        else:
            texts = [(head, line["word"]), (rest, line["sentence"])]
        for first, text in texts:
            if text:
                terminal.line("\n".join(textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=rest)))


def tell(answer: Shown) -> None:
    import polars as pl

    from speakerdb.terms import TARGETS

    terminal.line(f"{answer.facts['maker']} {answer.facts['model']}  ({answer.speaker})")
    terminal.line(answer.summary)
    terminal.line()
    strip(answer.strip)
    for conflict in answer.conflicts:
        terminal.line(f"In conflict: {conflict}")
    pooled, single = (
        answer.rows.filter(pl.col("session").is_null()),
        answer.rows.filter(pl.col("session").is_not_null()),
    )
    for (setting,), part in pooled.group_by("setting", maintain_order=True):
        sessions = single.filter(setting=setting).select("session", "lab", "sample", "date").unique(maintain_order=True)
        where = "; ".join(f"{s} ({lab}, sample {sample}, {date})" for s, lab, sample, date in sessions.iter_rows())
        terminal.line(f"\nSetting {setting}: {where}")
        drawn = bool(part["se"].is_not_null().any())
        ok, withheld = part.filter(status="ok"), part.filter(pl.col("status") != "ok")
        rows = []
        for r in ok.iter_rows(named=True):
            metric = terminal.metric_of(r["metric"])
            row = [terminal.name(metric), metric.quantity.number(r["value"], r["censored"], r["other_value"])]
            rows.append([*row, *([metric.quantity.interval(r["low"], r["high"])] if drawn else [])])
        headings = ["metric", "value", *(["95 % interval"] if drawn else [])]
        terminal.table(headings, rows, right=(1, 2))
        if len(withheld):
            terminal.line("\nWithheld:")
            for (reason,), group in withheld.group_by("reason", maintain_order=True):
                names = ", ".join(group["metric"]) if len(group) <= NAMED else f"{len(group)} metrics"
                terminal.line(f"  {names}: {reason}")
    terminal.line(f"\nIntervals are 95 %, {TARGETS[answer.target]}.")
    terminal.cautions(answer.cautions)
