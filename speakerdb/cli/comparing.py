"""Commands that set speakers against each other and against the field: compare, percentile, tradeoff, trend, labs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import (
    AbsoluteOption,
    AnotherUnitOption,
    DbOption,
    ExactOption,
    JsonOption,
    MetricsOption,
    SpeakerArgument,
    TopOption,
    cite,
    emit,
    one_of,
    open_database,
    target_of,
    with_filters,
)
from speakerdb.cli.reporting import OutOption, compare_picture, draw, tradeoff_picture, trend_picture

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.properties import Property
    from speakerdb.library import Selection
    from speakerdb.metric import Metric
    from speakerdb.statistics.learning import BenchPair

PropertyArgument = Annotated[
    str,
    typer.Argument(
        help="A metric's id or an unambiguous part of it, or price, volume_l, mass_kg, height_mm, width_mm, depth_mm."
    ),
]


def compare(
    speakers: Annotated[list[str], typer.Argument(help="Two speakers or more; speaker@setting for another setting.")],
    metric: MetricsOption = None,
    absolute: AbsoluteOption = False,
    another_unit: AnotherUnitOption = False,
    exact: ExactOption = False,
    out: OutOption = None,
    picture: Annotated[
        str, typer.Option("--picture", help="What --out draws: overlay (two to five) or differences (two).")
    ] = "overlay",
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Compare speakers metric by metric: differences, how sure they are, and whether they matter.

    Example: speakerdb compare sill-5 sill-8 --metric f6_hz
    As a picture: speakerdb compare sill-5 sill-8 --picture differences --out differences.svg
    """
    from speakerdb.words import documents
    from speakerdb.words.compare_words import contrast_words, real_words

    with open_database(db) as base:
        answer = base.compare(*speakers, metrics=metric or None, target=target_of(absolute, another_unit), exact=exact)
        one_of(picture, ("overlay", "differences"), "--picture")
        draw(out, " and ".join(speakers), lambda: compare_picture(base, answer, picture))
        if json:
            emit(documents.compare(base.state, answer))
            return
        for (a, setting_a, b, setting_b), pair in answer.rows.group_by(["a", "setting_a", "b", "setting_b"], maintain_order=True):  # fmt: skip
            terminal.line(f"{a} ({setting_a}) against {b} ({setting_b}), {answer.about}")
            _differences(pair)
            for words in contrast_words(list(zip(pair["metric"], pair["because"], strict=True))):
                terminal.line(f"{words[0].upper()}{words[1:]}.")
            terminal.line()
        for (a, b, reason), group in answer.withheld.group_by(["a", "b", "reason"], maintain_order=True):
            terminal.line(f"Not compared, {a} against {b} ({', '.join(group['metric'])}): {reason}")
        terminal.line(real_words(answer.differing, answer.real, len(answer.rows)))
        terminal.line("Marked *: its whole 95 % interval lies on one side. × : A is so many times B.")
        terminal.line("'Matters' is yes or no only where the whole interval says so.")
        for caution in answer.cautions:
            terminal.line(f"Caution: {caution}.")
        cite(base)


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
        terminal.name(m), m.quantity.number(row["value_a"], row["censored_a"]), m.quantity.number(row["value_b"], row["censored_b"]),
        m.quantity.difference(row["difference"]) + mark, m.quantity.difference_interval(row["low"], row["high"]),
        "" if row["p_a_better"] is None else figures.probability(row["p_a_better"]), row["matters"],
    ]  # fmt: skip


def percentile(
    speaker: SpeakerArgument,
    metric: MetricsOption = None,
    factor: Annotated[
        float,
        typer.Option(
            "--factor", min=1.0, help="Peers cost and measure within this factor of the speaker's price and size."
        ),
    ] = 2.0,
    query: Annotated[
        str | None, typer.Option("--query", help="A named query whose `speaker`s are the peers instead.")
    ] = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Rank one speaker among similar ones, metric by metric.

    Example: speakerdb percentile sill-5 --factor 1.5
    """
    from speakerdb.questions.rank import ONCE
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.percentile(speaker, metrics=metric or None, factor=factor, query=query, exact=exact)
        if json:
            emit(documents.percentile(base.state, answer))
            return
        terminal.line(f"{answer.speaker} ({answer.setting}) among its peers")
        placed = answer.rows.filter(answer.rows["place"].is_not_null())
        for (among,), group in placed.group_by("among", maintain_order=True):
            wider = "" if among == answer.words else f"; {answer.words}: too few"
            terminal.line(f"\nAmong {among}{wider}")
            terminal.table(
                ["metric", "value", "unit", "place"], [_placed(r) for r in group.iter_rows(named=True)], right=(1,)
            )
        for (reason,), group in answer.rows.drop_nulls("reason").group_by("reason", maintain_order=True):
            terminal.line(f"Not judged ({', '.join(group['metric'])}): {reason}")
        terminal.line(f"\nThe better first; where neither direction is better, the highest. {ONCE}.")
        cite(base)


def _placed(r: dict[str, Any]) -> list[str]:
    from speakerdb.analysis.peers import place_words

    m = terminal.metric_of(r["metric"])
    return [
        m.label,
        m.quantity.number(r["value"], r["censored"]),
        m.unit,
        place_words(r["place_low"], r["place_high"], r["of"]),
    ]


@with_filters
def tradeoff(
    x: PropertyArgument,
    y: PropertyArgument,
    selection: Selection,
    top: TopOption = None,
    out: OutOption = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Plot two properties; list the best for the money.

    Example: speakerdb tradeoff price f6_hz --kind bookshelf
    """
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.tradeoff(x, y, selection=selection)
        words = selection.filters.words()
        draw(out, f"{answer.y.label} against {answer.x.label}", lambda: tradeoff_picture(base, answer, words))
        if json:
            emit(documents.tradeoff(base.state, answer, words))
            return
        px, py, found = answer.x, answer.y, answer.found
        terminal.line(f"{py.label} against {px.name}{f'; {words}' if words else ''}")
        _trades(found.rows.head(len(found.rows) if top is None else top), px, py)
        if not len(found.rows):
            terminal.line("No speaker has both and passes the filters.")
        if len(found.line):
            first, last = found.line.row(0, named=True), found.line.row(-1, named=True)
            terminal.line(
                "The line that one in ten beats runs from "
                + " to ".join(
                    f"{py.quantity.number(p['fit'])} ({py.quantity.interval(p['low'], p['high'])}) at {px.quantity.number(p['x'])}"
                    for p in (first, last)
                )
                + "."
            )
        for (reason,), group in answer.not_judged.group_by("reason", maintain_order=True):
            terminal.line(f"Not judged: {', '.join(group['speaker'])}: {reason}")
        for line in answer.notes():
            terminal.line(line)
        for caution in found.cautions:
            terminal.line(f"Caution: {caution}.")
        cite(base)


def _trades(rows: pl.DataFrame, x: Property, y: Property) -> None:
    from speakerdb.words.room_words import chance_text

    headings = [
        "speaker", "setting", _heading(x), _heading(y), "on the frontier", f"beaten from ({x.unit or x.label})", "by", "expected",
        "95 % interval", "makers", "beats it",
    ]  # fmt: skip
    cells = [
        [
            r["speaker"], r["setting"], x.quantity.number(r["x"], r["x_censored"]), y.quantity.number(r["y"], r["y_censored"]),
            chance_text(r["p_frontier_low"], r["p_frontier_high"]),
            "never" if r["beaten_from"] is None and r["beaten_reason"] is None else x.quantity.number(r["beaten_from"]),
            r["beaten_by"], y.quantity.number(r["expected"]),
            y.quantity.interval(r["low"], r["high"]) or "–", r["makers"],
            {"better": "yes", "worse": "falls short", "as_expected": ""}.get(r["beats"] or "", "–"),
        ]
        for r in rows.iter_rows(named=True)
    ]  # fmt: skip
    left_out = () if x.fact else (5, 6)
    shown = [i for i in range(len(headings)) if i not in left_out]
    terminal.table(
        [headings[i] for i in shown], [[row[i] for i in shown] for row in cells],
        right=[shown.index(i) for i in (2, 3, 4, 5, 7, 8, 9) if i in shown], spare=(1,),
    )  # fmt: skip


def _heading(one: Property) -> str:
    return f"{one.label} ({one.unit})" if one.unit else one.label


@with_filters
def trend(
    metrics: Annotated[list[str], typer.Argument(help="Metrics' ids, or unambiguous parts of them.")],
    selection: Selection,
    over: Annotated[
        str,
        typer.Option("--over", help="year, price, volume, mass, kind, layout, enclosure, or another metric."),
    ],
    out: OutOption = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Ask how properties change over the years, with price or size, or differ between kinds.

    Example: speakerdb trend di_power_mean_db --over year
    """
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.trend(*metrics, over=over, selection=selection)
        words = selection.filters.words()
        draw(out, f"{answer.metrics[0].label} over {over}", lambda: trend_picture(base, answer, words))
        if json:
            emit(documents.trend(base.state, answer, words))
            return
        for metric, found in zip(answer.metrics, answer.trends, strict=True):
            terminal.line(f"{metric.label} over {answer.over}{f'; {words}' if words else ''}")
            for row in found.slopes.iter_rows(named=True):
                _slope(row)
            if len(found.groups):
                _groups(found.groups, metric)
            for (reason,), group in found.unknown.group_by("reason", maintain_order=True):
                terminal.line(f"Not judged: {', '.join(group['speaker'])}: {reason}")
            terminal.line()
        for (reason,), group in answer.not_judged.group_by("reason", maintain_order=True):
            terminal.line(f"Not judged: {', '.join(group['speaker'])}: {reason}")
        terminal.line(
            "Intervals allow for speakers of one maker being alike; q: 5 % false discoveries over all printed here."
        )
        for caution in answer.cautions:
            terminal.line(f"Caution: {caution}.")
        cite(base)


def _slope(row: dict[str, Any]) -> None:
    who = f"{figures.count(row['speakers'], 'speaker')} of {figures.count(row['makers'], 'maker')}, {figures.count(row['labs'], 'lab')}"
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
        ["group", "speakers", "makers", f"median ({metric.unit})", "95 % interval", f"against all others ({frame['unit'][0]})",
         "95 % interval", "makers of both", "p", "q", "Hedges g", "Cliff's delta"],
        [_of_group(r, metric) for r in frame.iter_rows(named=True)],
        right=tuple(range(1, 12)),
    )  # fmt: skip
    for words, column in (("interval for the median", "median_reason"), ("interval for the difference", "reason"), ("p", "p_reason")):  # fmt: skip
        for (reason,), group in frame.drop_nulls(column).group_by(column, maintain_order=True):
            terminal.line(f"No {words} of {', '.join(group['group'])}: {reason}")
    p, q, reason = frame.select("p_all_groups", "q_all_groups", "all_groups_reason").row(0)
    if frame["p"].count():
        terminal.line(
            f"p of a group: labels exchanged {figures.number(PERMUTATIONS)} times within the makers that have speakers both in it and outside."
        )
    if p is None:
        terminal.line(f"Whether all groups are alike is not judged: {reason}")
    else:
        all_alike = f"{figures.p_text('p', p)}, {figures.p_text('q', q)}"
        terminal.line(f"That all groups are alike: {all_alike} (the same exchange, Peto and Prentice's scores).")


def _of_group(r: dict[str, Any], metric: Metric) -> list[str]:
    difference, low, high = figures.alike([r["difference"], r["low"], r["high"]])
    return [
        r["group"], str(r["speakers"]), str(r["makers"]), metric.quantity.number(r["median"], r["median_censored"]),
        metric.quantity.interval(r["median_low"], r["median_high"]) or "–", difference, "–" if r["low"] is None else f"{low} to {high}",
        str(r["makers_of_both"]), *(figures.p_value(r[k]) for k in ("p", "q")),
        figures.number(r["hedges_g"], 2), figures.number(r["cliffs_delta"], 2),
    ]  # fmt: skip


def labs(metric: MetricsOption = None, db: DbOption = None, json: JsonOption = False) -> None:
    """Show by how much benches (labs, methods, calibrations) differ, from the speakers that two of them have measured.

    Example: speakerdb labs --metric f6_hz --metric sensitivity_db
    """
    import polars as pl

    from speakerdb.statistics.error_model import bench_words
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.labs(metrics=metric or None)
        if json:
            emit(documents.labs(base.state, answer))
            return
        for a, b, speakers, same in answer.found.pairs.iter_rows():
            units = "by the same unit" if same == len(speakers) else f"{same} of them by the same unit"
            terminal.line(
                f"{bench_words(a)} − {bench_words(b)}: {len(speakers)} in common, {units}: {', '.join(speakers)}"
            )
            mine = answer.found.offsets.filter(bench_a=a, bench_b=b)
            told = mine.filter(pl.col("offset").is_not_null())
            if len(told):
                terminal.table(
                    ["metric", "unit", "offset", "95 % interval", "sd", "left once aligned", "q", "speakers"],
                    [_lab_offset(r) for r in told.iter_rows(named=True)],
                    right=(2, 3, 4, 5, 6, 7),
                )
            _no_offsets(mine, some=len(told) > 0)
            for pair in answer.curves:
                if (pair.to_bench, pair.bench) == (a, b):
                    terminal.line(_bench_curves(pair, answer.aligned.get(pair.bench) == pair.to_bench))
            terminal.line()
        terminal.line(f"Error model version {base.state.error_model}. q allows 5 % false discoveries over all rows.")
        for caution in answer.cautions:
            terminal.line(f"Caution: {caution}.")
        cite(base)


def _no_offsets(rows: pl.DataFrame, *, some: bool) -> None:
    """Why metrics have no offset; where none has one, in one line."""
    from speakerdb.analysis.offsets import LEAST_SHARED

    if not some and len(rows) > 1:
        terminal.line(f"No metric has an offset: each needs {LEAST_SHARED} speakers that have it from both.")
        return
    for (reason,), group in rows.drop_nulls("reason").group_by("reason", maintain_order=True):
        terminal.line(f"No offset ({', '.join(group['metric'])}): {reason}")


def _lab_offset(r: dict[str, Any]) -> list[str]:
    m = terminal.metric_of(r["metric"])
    finer = m.quantity.finer(r["unit"])
    return [
        m.label, r["unit"], finer.number(r["offset"]), finer.interval(r["low"], r["high"]), finer.number(r["sd"]),
        finer.interval(r["left_low"], r["left_high"]) or "–", figures.p_value(r["q"]), str(r["speakers"]),
    ]  # fmt: skip


def _bench_curves(pair: BenchPair, aligned: bool) -> str:
    level = "" if pair.level_db != pair.level_db else f" and by {figures.number(pair.level_db, 2)} dB in level"
    apart = f"Listening windows, 100 Hz–10 kHz: {figures.number(pair.shape_db, 2)} dB RMS apart in shape{level}, by {pair.n} specimens"
    if aligned:
        return f"{apart}; aligned, which leaves {figures.number(pair.residual_sd_db, 2)} dB."
    return f"{apart}; not aligned{f' ({pair.reason})' if pair.reason else ': `speakerdb derive --adopt` does'}."
