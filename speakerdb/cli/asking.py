"""Commands that read: list, show, explain, metrics, rank, match, query."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import (
    AbsoluteOption,
    AllSettingsOption,
    AnotherUnitOption,
    CurrencyOption,
    DbOption,
    ExactOption,
    JsonOption,
    SettingOption,
    SpeakerArgument,
    TopOption,
    cite,
    emit,
    open_database,
    target_of,
    with_filters,
)
from speakerdb.cli.reporting import (
    PICTURES_HELP,
    OutOption,
    draw,
    match_picture,
    rank_picture,
    speaker_picture,
)

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.library import Selection
    from speakerdb.metric import Metric


def list_speakers(currency: CurrencyOption = None, db: DbOption = None, json: JsonOption = False) -> None:
    """List the speakers that are stored.

    Example: speakerdb list
    """
    from speakerdb.words import documents

    with open_database(db) as base:
        frame = base.list(currency.upper() if currency else None)
        if json:
            emit(documents.document(base.state, rows=documents.rows(frame)))
            return
        unit = frame["currency"][0] if len(frame) else None
        terminal.table(
            ["speaker", "kind", "powered", "year", "volume (l)", "mass (kg)", f"price, pair ({unit or 'none known'})",
             "settings", "sessions", "labs", "samples"],
            [
                [r["speaker"], r["kind"], {True: "yes", False: "no"}.get(r["powered"]), r["year"],
                 *(figures.FACTS[name].number(r[name]) for name in ("volume_l", "mass_kg", "price")),
                 ", ".join(r["settings"]), r["sessions"], ", ".join(r["labs"]), r["samples"]]
                for r in frame.iter_rows(named=True)
            ],
            right=(3, 4, 5, 6, 8, 10),
        )  # fmt: skip
        cite(base)


def show(
    speaker: SpeakerArgument,
    setting: SettingOption = None,
    all_settings: AllSettingsOption = False,
    absolute: AbsoluteOption = False,
    another_unit: AnotherUnitOption = False,
    exact: ExactOption = False,
    out: OutOption = None,
    picture: Annotated[str, typer.Option("--picture", help=PICTURES_HELP)] = "curves",
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Show all values of one speaker, pooled over its sessions.

    Example: speakerdb show sill-5
    As a picture: speakerdb show sill-5 --picture map-horizontal --out sill-5.html
    """
    from speakerdb.analysis.metric_column import TARGETS
    from speakerdb.words import documents

    with open_database(db) as base:
        _, slug = base.find(speaker, exact=exact)
        target = target_of(absolute, another_unit)
        frame = base.show(slug, setting=setting, all_settings=all_settings, target=target, exact=True)
        facts, cautions = base.facts(slug), base.cautions(frame)
        draw(out, slug, lambda: speaker_picture(base, slug, setting, picture))
        if json:
            emit(documents.show(base.state, slug, frame, target, facts))
            return
        terminal.line(f"{facts.values['maker']} {facts.values['model']}  ({slug})")
        terminal.line(facts.sentence())
        for conflict in facts.conflicts:
            terminal.line(f"In conflict: {conflict}")
        _show_values(frame)
        terminal.line(f"\nIntervals are 95 %, {TARGETS[target]}.")
        for caution in cautions:
            terminal.line(f"Caution: {caution}.")
        cite(base)


def _show_values(frame: pl.DataFrame) -> None:
    import polars as pl

    pooled = frame.filter(pl.col("session").is_null())
    single = frame.filter(pl.col("session").is_not_null())
    for (setting,), part in pooled.group_by("setting", maintain_order=True):
        sessions = (
            single.filter(pl.col("setting") == setting)
            .select("session", "lab", "sample", "date")
            .unique(maintain_order=True)
        )
        where = "; ".join(f"{s} ({lab}, sample {sample}, {date})" for s, lab, sample, date in sessions.iter_rows())
        terminal.line(f"\nSetting {setting}: {where}")
        drawn = bool(part["se"].is_not_null().any())
        ok, withheld = part.filter(pl.col("status") == "ok"), part.filter(pl.col("status") != "ok")
        rows = []
        for r in ok.iter_rows(named=True):
            metric = terminal.metric_of(r["metric"])
            row = [metric.label, metric.quantity.number(r["value"], r["censored"], r["other_value"]), metric.unit]
            if drawn:
                row.append(metric.quantity.interval(r["low"], r["high"]))
            rows.append([*row, r["metric"]])
        headings = ["metric", "value", "unit", *(["95 % interval"] if drawn else []), "id"]
        terminal.table(headings, rows, right=(1, 3) if drawn else (1,), spare=(4 if drawn else 3,))
        if len(withheld):
            terminal.line("\nWithheld:")
            for (reason,), group in withheld.group_by("reason", maintain_order=True):
                terminal.line(f"  {', '.join(group['metric'])}: {reason}")


def explain(
    speaker: SpeakerArgument,
    metric: Annotated[str, typer.Argument(help="A metric's id, or any unambiguous part of it.")],
    setting: SettingOption = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Trace one value back to its definition, curve and source files.

    Example: speakerdb explain sill-5 f6_hz
    """
    import polars as pl

    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.explain(speaker, metric, setting=setting, exact=exact)
        if json:
            emit(documents.explain(base.state, answer))
            return
        m = answer.metric
        pooled = answer.values.filter(pl.col("session").is_null()).row(0, named=True)
        terminal.line(f"{answer.speaker}, setting {answer.setting}")
        if pooled["status"] == "ok":
            value = m.quantity.number(pooled["value"], pooled["censored"], pooled["other_value"])
            interval = m.quantity.interval(pooled["low"], pooled["high"])
            terminal.line(f"{m.label}: {value} {m.unit}{f', 95 % interval {interval}' if interval else ''}")
        else:
            terminal.line(f"{m.label}: withheld, {pooled['reason']}")
        terminal.line(f"Definition ({m.id}, version {answer.metric_version}): {m.definition}.")
        terminal.line(f"Source of the definition: {m.source}; more: `speakerdb method {m.id}`")
        terminal.line(f"Read from {'the curve: ' if m.curve else ''}{answer.read}")
        for sentence in answer.alignments:
            terminal.line(f"{sentence}.")
        for caution in base.cautions(answer.values):
            terminal.line(f"Caution: {caution}.")
        measured = answer.values.filter(pl.col("session").is_not_null())
        terminal.table(
            ["session", "lab", "sample", "date", f"value ({m.unit})", "95 % interval"],
            [
                [r["session"], r["lab"], r["sample"], r["date"], *_of_session(m, r)]
                for r in measured.iter_rows(named=True)
            ],
            right=(4, 5),
        )
        for (reason,), group in measured.filter(pl.col("status") != "ok").group_by("reason", maintain_order=True):
            terminal.line(f"Withheld of {', '.join(group['session'])}: {reason}")
        files = answer.sources.filter(pl.col("file").is_not_null())
        terminal.table(
            ["source file", "SHA-256"],
            [[f"{s}/{file}", sha256] for s, file, sha256 in files.select("session", "file", "sha256").iter_rows()],
        )
        cite(base)


def _of_session(metric: Metric, row: dict[str, Any]) -> tuple[str, str]:
    """A session's value and interval; – where it is withheld."""
    if row["status"] != "ok":
        return "–", ""
    value = metric.quantity.number(row["value"], row["censored"], row["other_value"])
    return value, metric.quantity.interval(row["low"], row["high"])


def metrics(
    metric: Annotated[str | None, typer.Argument(help="One metric's id.")] = None,
    db: DbOption = None,  # every command takes it, so that scripts need not know which read the file
    json: JsonOption = False,
) -> None:
    """Print the dictionary: what every number means.

    Example: speakerdb metrics f6_hz
    """
    from speakerdb.questions import stored
    from speakerdb.words import documents

    frame = stored.metrics_frame(metric)
    if json:
        emit(documents.document(None, rows=documents.rows(frame)))
    elif metric is not None:
        words = {"matters": terminal.metric_of(frame["id"][0]).matters_words}
        for name, value in frame.row(0, named=True).items():
            terminal.line(f"{name + ':':12}{words.get(name, value)}")
    else:
        terminal.table(
            ["id", "label", "unit", "better", "definition"],
            [[r["id"], r["label"], r["unit"], r["better"], r["definition"]] for r in frame.iter_rows(named=True)],
        )


@with_filters
def rank(
    metric: Annotated[str, typer.Argument(help="A metric's id, or any unambiguous part of it.")],
    selection: Selection,
    jointly: Annotated[bool, typer.Option("--jointly", help="Also the places that all together can have.")] = False,
    absolute: AbsoluteOption = False,
    another_unit: AnotherUnitOption = False,
    top: TopOption = None,
    out: OutOption = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Rank the speakers by one metric, the better first.

    Example: speakerdb rank f6_hz --kind bookshelf --price-max 1000 --top 10
    """
    from speakerdb.field import naming
    from speakerdb.words import documents

    with open_database(db) as base:
        m, target = naming.find_metric(metric), target_of(absolute, another_unit)
        answer = base.rank(m.id, selection=selection, top=top, jointly=jointly, target=target)
        draw(out, m.label, lambda: rank_picture(base, m.id, answer.rows, selection.filters.words()))
        if json:
            emit(documents.rank(base.state, answer, selection.filters.words()))
            return
        direction = {
            "high": "highest first",
            "low": "lowest first",
            "neither": "highest first; neither direction is better",
        }
        terminal.line(f"{m.label} ({m.unit}), {direction[m.better]}{_where(selection)}")
        if len(answer.rows):
            joint = ["all together"] if jointly else []
            terminal.table(
                ["place", *joint, "speaker", "setting", m.unit, "95 % interval"],
                [
                    [_place(r, ""), *([_range(r, "_joint")] if jointly else []), r["speaker"], r["setting"],
                     m.quantity.number(r["value"], r["censored"], r["other_value"]), m.quantity.interval(r["low"], r["high"])]
                    for r in answer.rows.iter_rows(named=True)
                ],
                right=(0, *((1,) if jointly else ()), 3 + jointly, 4 + jointly),
                spare=() if selection.all_settings else (2 + jointly,),
            )  # fmt: skip
            for sentence in answer.cautions:
                terminal.line(f"{sentence}.")
        else:
            terminal.line("No speaker has this value and passes the filters.")
        _withheld(answer.withheld)
        cite(base)


def _place(row: dict[str, Any], which: str) -> str:
    return str(row["rank"]) if row["rank_low"] == row["rank_high"] else f"{row['rank']} ({_range(row, which)})"


def _range(row: dict[str, Any], which: str) -> str:
    low, high = row[f"rank{which}_low"], row[f"rank{which}_high"]
    return "–" if low is None else str(low) if low == high else f"{low}–{high}"


def _where(selection: Selection) -> str:
    words = selection.filters.words()
    return f"; {words}" if words else ""


def _withheld(frame: pl.DataFrame) -> None:
    if not len(frame):
        return
    terminal.line(f"\nNot judged ({len(frame)}):")
    for (reason,), group in frame.group_by("reason", maintain_order=True):
        terminal.line(f"  {reason}: {', '.join(group['speaker'])}")


@with_filters
def match(
    speaker: SpeakerArgument,
    selection: Selection,
    setting: SettingOption = None,
    weight: Annotated[
        list[str] | None,
        typer.Option("--weight", help="Weight of a part, e.g. --weight beamwidth=2; may be repeated."),
    ] = None,
    top: TopOption = 10,
    exact: ExactOption = False,
    out: OutOption = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Find speakers that measure alike.

    Example: speakerdb match sill-5 --top 5
    """
    from speakerdb.analysis.nearness import WEIGHTS, WORDS
    from speakerdb.words import documents

    weights = {**WEIGHTS, **_weights(weight or [], tuple(WEIGHTS))}
    with open_database(db) as base:
        _, slug = base.find(speaker, exact=exact)
        used = base.setting(slug, setting)
        frame = base.match(slug, setting=used, selection=selection, weights=weights, top=top, exact=True)
        draw(out, f"{slug} and those that measure most like it", lambda: match_picture(base, slug, frame))
        if json:
            emit(documents.match(base.state, slug, used, frame, weights))
            return
        terminal.line(f"Measures like {slug}, setting {used}{_where(selection)}: RMS difference in dB, nearest first")
        terminal.table(
            ["speaker", "setting", "distance", *WORDS.values(), "measures"],
            [
                [r["speaker"], r["setting"], figures.number(r["distance_db"], 2), *(figures.number(r[p], 2) for p in WORDS),
                 {True: "differently", False: "can't be told", None: "not judged"}[r["measures_differently"]]]
                for r in frame.iter_rows(named=True)
            ],
            right=tuple(range(2, 3 + len(WORDS))),
        )  # fmt: skip
        _left_out(frame)
        terminal.line("Weights: " + ", ".join(f"{WORDS[p]} {figures.plain(w)}" for p, w in weights.items()))
        cite(base)


def _left_out(frame: pl.DataFrame) -> None:
    """What was not compared or not judged, and of whom."""
    from speakerdb.words.match_words import remarks

    whom: dict[str, list[str]] = {}
    for row in frame.iter_rows(named=True):
        for remark in [*remarks(row), *([f"not judged: {row['reason']}"] if row["reason"] else [])]:
            whom.setdefault(remark, []).append(row["speaker"])
    for remark, speakers in whom.items():
        listed = "all of these" if len(speakers) == len(frame) > 1 else ", ".join(speakers)
        terminal.line(f"{remark[0].upper()}{remark[1:]}: {listed}")


def _weights(given: list[str], parts: tuple[str, ...]) -> dict[str, float]:
    found = {}
    for item in given:
        name, _, number = item.partition("=")
        try:
            found[name] = float(number)
        except ValueError:
            raise typer.BadParameter(f"{item!r}; expected PART=NUMBER", param_hint="--weight") from None
        if name not in parts or not 0 <= found[name] < float("inf"):
            raise typer.BadParameter(
                f"{item!r}; the parts are {', '.join(parts)}, weights are 0 or more", param_hint="--weight"
            )
    return found


def query(
    name: Annotated[str | None, typer.Argument(help="Name of the query; without it, all are listed.")] = None,
    parameters: Annotated[list[str] | None, typer.Argument(help="Parameters as name=value.")] = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Run one of the named SQL queries, or list them.

    Example: speakerdb query price_ladder kind=bookshelf
    """
    from speakerdb.field.naming import all_queries
    from speakerdb.words import documents

    if name is None:
        found = all_queries()
        if json:
            emit(documents.document(None, queries=[documents.query_head(q) for q in found.values()]))
            return
        terminal.table(
            ["query", "title", "parameters"],
            [[q.name, q.title, ", ".join(f"{p.name}={p.default}" for p in q.parameters)] for q in found.values()],
        )
        return
    given = {}
    for item in parameters or []:
        key, equals, value = item.partition("=")
        if not equals:
            raise typer.BadParameter(f"{item!r}; expected name=value", param_hint="PARAMETERS")
        given[key] = value
    with open_database(db) as base:
        head, frame = base.query(name, given)
        if json:
            emit(documents.document(base.state, query=documents.query_head(head), rows=documents.rows(frame)))
            return
        terminal.line(head.title)
        numeric = tuple(i for i, kind in enumerate(frame.dtypes) if kind.is_numeric())
        terminal.table(
            frame.columns,
            [
                [
                    figures.plain(cell) if isinstance(cell, int | float) and not isinstance(cell, bool) else cell
                    for cell in row
                ]
                for row in frame.iter_rows()
            ],
            right=numeric,
        )
        cite(base)
