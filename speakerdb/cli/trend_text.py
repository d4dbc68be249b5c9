"""Trends in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.metric import Metric
from speakerdb.questions.trend import Trends

if TYPE_CHECKING:
    import polars as pl


def tell(answer: Trends) -> None:
    for one, found in zip(answer.trends, answer.found, strict=True):
        metric = terminal.metric_of(one["metric"])
        terminal.line(f"{metric.label} over {answer.over}{terminal.among(answer.filters)}")
        for row in found.slopes.iter_rows(named=True):
            _slope(row)
        if len(found.groups):
            _groups(found.groups, metric)
        terminal.not_judged(found.unknown)
        terminal.line()
    terminal.not_judged(answer.not_judged)
    terminal.line(
        "Intervals allow for speakers of one maker being alike; q: 5 % false discoveries over all printed here."
    )
    terminal.cautions(answer.cautions)


def _slope(row: dict[str, Any]) -> None:
    who = (
        f"{figures.count(row['speakers'], 'speaker')} of {figures.count(row['makers'], 'maker')}, "
        f"{figures.count(row['labs'], 'lab')}"
    )
    if row["effect"] is None:
        terminal.line(f"No trend can be given: {row['reason']} ({who}).")
        return
    effect, low, high, robust = figures.alike([row[k] for k in ("effect", "low", "high", "theil_sen")])
    interval = f"no interval: {row['reason']}" if row["reason"] else f"95 % interval {low} to {high}"
    theil_sen = "" if row["theil_sen"] is None else f"; Theil–Sen {robust}"
    terminal.line(f"{effect} {row['unit']} per {row['per']}, {interval}{theil_sen}")
    p = "" if row["p"] is None else f"{figures.p_text('p', row['p'])}, {figures.p_text('q', row['q'])}; "
    terminal.line(f"{p}{row['method']}; {who}.")
    if row["reliability"] is not None:
        terminal.line(f"Reliability of the quantity it is set over: {figures.number(row['reliability'], 2)}.")


def _groups(frame: pl.DataFrame, metric: Metric) -> None:
    from speakerdb.statistics.permutation import PERMUTATIONS

    terminal.table(
        [
            "group",
            "speakers",
            "makers",
            f"median ({metric.unit})",
            "95 % interval",
            f"against all others ({frame['unit'][0]})",
            "95 % interval",
            "makers of both",
            "p",
            "q",
            "Hedges g",
            "Cliff's delta",
        ],
        [_of_group(r, metric) for r in frame.iter_rows(named=True)],
        right=tuple(range(1, 12)),
    )
    for words, column in (
        ("interval for the median", "median_reason"),
        ("interval for the difference", "reason"),
        ("p", "p_reason"),
    ):
        for (reason,), group in frame.drop_nulls(column).group_by(column, maintain_order=True):
            terminal.line(f"No {words} of {', '.join(group['group'])}: {reason}")
    p, q, reason = frame.select("p_all_groups", "q_all_groups", "all_groups_reason").row(0)
    if frame["p"].count():
        terminal.line(
            f"p of a group: labels exchanged {figures.number(PERMUTATIONS)} times within the makers that "
            "have speakers both in it and outside."
        )
    if p is None:
        terminal.line(f"Whether all groups are alike is not judged: {reason}")
    else:
        all_alike = f"{figures.p_text('p', p)}, {figures.p_text('q', q)}"
        terminal.line(f"That all groups are alike: {all_alike} (the same exchange, Peto and Prentice's scores).")


def _of_group(r: dict[str, Any], metric: Metric) -> list[str]:
    difference, low, high = figures.alike([r["difference"], r["low"], r["high"]])
    return [
        r["group"],
        str(r["speakers"]),
        str(r["makers"]),
        metric.quantity.number(r["median"], r["median_censored"]),
        metric.quantity.interval(r["median_low"], r["median_high"]) or "–",
        difference,
        "–" if r["low"] is None else f"{low} to {high}",
        str(r["makers_of_both"]),
        *(figures.p_value(r[k]) for k in ("p", "q")),
        figures.number(r["hedges_g"], 2),
        figures.number(r["cliffs_delta"], 2),
    ]
