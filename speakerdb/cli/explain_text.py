"""Where a value comes from, in words."""

from __future__ import annotations

from typing import Any

from speakerdb.cli import terminal
from speakerdb.metric import Metric
from speakerdb.questions.explain import Explanation


def tell(answer: Explanation) -> None:
    import polars as pl

    m, pooled = terminal.metric_of(answer.metric), answer.pooled
    terminal.line(f"{answer.speaker}, setting {answer.setting}")
    if pooled["status"] == "ok":
        value = m.quantity.number(pooled["value"], pooled["censored"], pooled["other_value"])
        interval = m.quantity.interval(pooled["low"], pooled["high"])
        terminal.line(f"{m.label}: {value} {m.unit}{f', 95 % interval {interval}' if interval else ''}")
    else:
        terminal.line(f"{m.label}: withheld, {pooled['reason']}")
    terminal.line(f"Definition ({m.id}, version {answer.definition_version}): {m.definition}.")
    terminal.line(f"Source of the definition: {m.source}; more: `speakerdb method {m.id}`")
    terminal.line(f"Read from {'the curve: ' if answer.curve['part'] else ''}{answer.curve['words']}")
    for sentence in answer.alignments:
        terminal.line(f"{sentence}.")
    terminal.cautions(answer.cautions)
    measured = answer.rows.filter(pl.col("session").is_not_null())
    terminal.table(
        ["session", "lab", "sample", "date", f"value ({m.unit})", "95 % interval"],
        [[r["session"], r["lab"], r["sample"], r["date"], *_of_session(m, r)] for r in measured.iter_rows(named=True)],
        right=(4, 5),
    )
    for (reason,), group in measured.filter(pl.col("status") != "ok").group_by("reason", maintain_order=True):
        terminal.line(f"Withheld of {', '.join(group['session'])}: {reason}")
    terminal.table(
        ["source file", "read as", "SHA-256"],
        [
            [f"{s['session']}/{file['name']}", file["read_as"] or "", file["sha256"]]
            for s in answer.sources
            for file in s["files"]
        ],
    )
    for source in answer.sources:
        for file in source["not_read"]:
            terminal.line(f"Not read: {source['session']}/{file['name']}, {file['why_not']}")


def _of_session(metric: Metric, row: dict[str, Any]) -> tuple[str, str]:
    """A session's value and interval; – where it is withheld."""
    if row["status"] != "ok":
        return "–", ""
    value = metric.quantity.number(row["value"], row["censored"], row["other_value"])
    return value, metric.quantity.interval(row["low"], row["high"])
