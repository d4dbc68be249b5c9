"""A speaker among its peers, in words."""

from __future__ import annotations

from typing import Any

from speakerdb.cli import terminal
from speakerdb.questions.percentile import Standing


def tell(answer: Standing) -> None:
    terminal.line(f"{answer.speaker} ({answer.setting}) among its peers")
    placed = answer.rows.filter(answer["place"].is_not_null())
    for (among,), group in placed.group_by("among", maintain_order=True):
        wider = "" if among == answer.among else f"; {answer.among}: too few"
        terminal.line(f"\nAmong {among}{wider}")
        terminal.table(
            ["metric", "value", "unit", "place"], [_placed(r) for r in group.iter_rows(named=True)], right=(1,)
        )
    for (reason,), group in answer.rows.drop_nulls("reason").group_by("reason", maintain_order=True):
        terminal.line(f"Not judged ({', '.join(group['metric'])}): {reason}")
    terminal.line("\nThe better first; where neither direction is better, the highest.")
    for sentence in answer.cautions:
        terminal.line(f"{sentence}.")


def _placed(r: dict[str, Any]) -> list[str]:
    from speakerdb.analysis.peers import place_words

    m = terminal.metric_of(r["metric"])
    return [
        m.label,
        m.quantity.number(r["value"], r["censored"]),
        m.unit,
        place_words(r["place_low"], r["place_high"], r["of"]),
    ]
