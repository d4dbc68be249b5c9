"""Commands that set speakers against each other and against the field: compare."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb.cli import text
from speakerdb.cli.common import DbOption, ExactOption, JsonOption, cite, emit, open_database

if TYPE_CHECKING:
    import polars as pl

MetricsOption = Annotated[
    list[str] | None, typer.Option("--metric", help="Only this metric; may be repeated. Default: all that are ranked.")
]


def compare(
    speakers: Annotated[list[str], typer.Argument(help="Two speakers or more; speaker@setting for another setting.")],
    metric: MetricsOption = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Compare speakers metric by metric: differences, how sure they are, and whether they matter.

    Example: speakerdb compare sill-5 sill-8 --metric f6_hz
    """
    from speakerdb.library import documents

    with open_database(db) as base:
        answer = base.compare(*speakers, metrics=metric or None, exact=exact)
        if json:
            emit(documents.compare(base.state, answer))
            return
        for (a, setting_a, b, setting_b), pair in answer.rows.group_by(["a", "setting_a", "b", "setting_b"], maintain_order=True):  # fmt: skip
            text.line(f"{a} ({setting_a}) against {b} ({setting_b}), {answer.about}")
            _differences(pair)
            for (because,), group in pair.group_by("because", maintain_order=True):
                some = len(group) < len(pair) / 2
                text.line(f"{_labels(group) if some else 'Intervals'}: {because}.")
            text.line()
        for (a, b, reason), group in answer.withheld.group_by(["a", "b", "reason"], maintain_order=True):
            text.line(f"Not compared, {a} against {b} ({', '.join(group['metric'])}): {reason}")
        text.line(f"{answer.differing} of {len(answer.rows)} differ (marked *), with 5 % false discoveries allowed over all rows.")  # fmt: skip
        text.line("'Matters' is yes or no only where the whole 95 % interval says so.")
        for caution in answer.cautions:
            text.line(f"Caution: {caution}.")
        cite(base)


def _labels(rows: pl.DataFrame) -> str:
    return ", ".join(text.metric_of(m).label for m in rows["metric"])


def _differences(pair: pl.DataFrame) -> None:
    text.table(
        ["metric", "unit", "A", "B", "A − B", "95 % interval", "A better", "matters"],
        [_difference(r) for r in pair.iter_rows(named=True)],
        right=(2, 3, 4, 5, 6),
    )


def _difference(row: dict[str, Any]) -> list[str]:
    m = text.metric_of(row["metric"])
    better = "" if row["p_a_better"] is None else f"{100 * row['p_a_better']:.0f} %"
    mark = " *" if row["differs"] else "  "
    return [
        m.label, m.unit, text.value(m, row["value_a"], row["censored_a"]), text.value(m, row["value_b"], row["censored_b"]),
        text.number(row["difference"], m.decimals) + mark, text.interval(m, row["low"], row["high"]), better, row["matters"],
    ]  # fmt: skip
