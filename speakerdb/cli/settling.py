"""The command settle: which further measurement would tell two speakers apart."""

from __future__ import annotations

from typing import Annotated

import typer

from speakerdb.cli import text
from speakerdb.cli.common import DbOption, ExactOption, JsonOption, cite, emit, open_database

SHOWN = 5


def settle(
    a: Annotated[str, typer.Argument(help="A speaker; speaker@setting for another setting.")],
    b: Annotated[str, typer.Argument(help="The other one.")],
    metric: Annotated[
        list[str] | None,
        typer.Option("--metric", help="Only this metric; may be repeated. Default: all that are ranked."),
    ] = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """What would settle it: the measurement that would narrow the differences of two tied speakers most.

    Example: speakerdb settle sill-5 sill-8 --metric f6_hz
    """
    from speakerdb.library import documents

    with open_database(db) as base:
        answer = base.settle(a, b, metrics=metric or None, exact=exact)
        if json:
            emit(documents.settle(base.state, answer))
            return
        count = len(answer.undecided) + len(answer.decided)
        text.line(f"{len(answer.undecided)} of {count} metrics do not tell them apart.")
        if len(answer.overall):
            text.table(
                ["measurement", "interval left, % of now (mean)", "would settle"],
                [[r["words"], text.number(100.0 * r["share"], 0), f"{r['settles']} of {len(answer.undecided)}"]
                 for r in answer.overall.head(SHOWN).iter_rows(named=True)], right=(1, 2),
            )  # fmt: skip
        elif answer.undecided:
            text.line("No single further measurement would narrow their differences noticeably.")
        for (metric_id,), group in answer.rows.group_by("metric", maintain_order=True):
            m, best = text.metric_of(str(metric_id)), group.row(0, named=True)
            text.line(
                f"{m.label}: {text.number(best['difference'], m.decimals)} {m.unit} "
                f"({text.interval(m, best['low'], best['high'])}); {best['words']}: interval "
                f"{text.number(best['width'], m.decimals)} → {text.number(best['expected_width'], m.decimals)} {m.unit} wide"
                + (", enough if the difference stays." if best["would_settle"] else ".")
            )
        for caution in answer.cautions:
            text.line(f"Caution: {caution}.")
        cite(base)
