"""What to measure next, in words."""

from __future__ import annotations

from typing import Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.settle import Settling

SHOWN = 5


def tell(answer: Settling) -> None:
    terminal.line(undecided_words(len(answer.undecided), len(answer.undecided) + len(answer.decided)))
    for (contrast,), group in answer.already.group_by("contrast", maintain_order=True):
        labels = ", ".join(terminal.metric_of(m).label for m in group["metric"])
        terminal.line(f"The sessions of {contrast} tell already what all together don't: {labels}.")
    _measurements(answer)
    for (reason,), group in answer.not_judged.group_by("reason", maintain_order=True):
        terminal.line(f"Not judged: {', '.join(terminal.metric_of(m).label for m in group['metric'])}: {reason}.")
    terminal.cautions(answer.cautions)


def undecided_words(undecided: int, count: int) -> str:
    """How many differences are still open: '14 of 46 differences can't be told.'"""
    if count == 1:
        return "The difference can't be told." if undecided else "The difference can be told."
    return f"{undecided} of {count} differences can't be told." if undecided else "All differences can be told."


def _measurements(answer: Settling) -> None:
    """What to measure, over all that is undecided and metric by metric."""
    if len(answer.overall):
        terminal.table(
            ["measurement", "would tell, on average", "interval left, % of now"],
            [
                [
                    r["words"],
                    f"{figures.number(r['settles'], 1)} of {len(answer.undecided)}",
                    figures.number(100.0 * r["share"], 0),
                ]
                for r in answer.overall.head(SHOWN).iter_rows(named=True)
            ],
            right=(1, 2),
        )
    elif answer.undecided:
        terminal.line("No single further measurement would narrow their differences noticeably.")
    for words, metrics in _by_best(answer):
        terminal.line(f"\n{words[0].upper()}{words[1:]}:")
        terminal.table(
            ["metric", "A − B, × A/B", "95 % interval", "then, if it stays", "chance to tell"],
            [_best(row) for row in metrics],
            right=(1, 2, 3, 4),
        )


def _by_best(answer: Settling) -> list[tuple[str, list[dict[str, Any]]]]:
    """The undecided metrics by the measurement that is likeliest to tell each, that for most of them first."""
    found: dict[str, list[dict[str, Any]]] = {}
    for _, group in answer.rows.group_by("metric", maintain_order=True):
        row = group.row(0, named=True)
        found.setdefault(row["words"], []).append(row)
    return sorted(found.items(), key=lambda item: -len(item[1]))


def _best(row: dict[str, Any]) -> list[str]:
    """One metric's difference now, and after its likeliest measurement."""
    m = terminal.metric_of(row["metric"])
    return [
        terminal.name(m),
        m.quantity.difference(row["difference"]),
        m.quantity.difference_interval(row["low"], row["high"]),
        m.quantity.difference_interval(row["expected_low"], row["expected_high"]),
        figures.probability(row["chance"]),
    ]
