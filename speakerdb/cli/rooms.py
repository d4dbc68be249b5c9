"""Commands for buyers and settings: shortlist, settings, claim."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import (
    DbOption,
    ExactOption,
    JsonOption,
    SettingOption,
    SpeakerArgument,
    TopOption,
    cite,
    emit,
    one_of,
    open_database,
    with_filters,
)
from speakerdb.metrics import METRICS

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.library import Selection
    from speakerdb.questions.settings import SettingsAnswer
    from speakerdb.questions.shortlist import RoomAnswer

MISSES_SHOWN = 10  # near misses printed unless --top says less; --json gives them all


def above_zero(number: float | None) -> float | None:
    """A usage error unless the number is finite and above 0."""
    if number is not None and not (math.isfinite(number) and number > 0):
        raise typer.BadParameter(f"{figures.plain(number)}; expected a number above 0")
    return number


def _number(name: str, help_: str) -> Any:
    return typer.Option(name, callback=above_zero, help=help_)


def _dimensions(given: str | None) -> tuple[float, float, float] | None:
    if given is None:
        return None
    parts = re.split(r"[x×*]", given.replace(",", ".").replace(" ", ""))
    try:
        length, width, height = (above_zero(float(part)) for part in parts)
    except (ValueError, typer.BadParameter):
        raise typer.BadParameter(
            f"{given!r}; expected length, width and height in metres, e.g. 5.2x4.1x2.5", param_hint="--dimensions"
        ) from None
    return length or 0.0, width or 0.0, height or 0.0


@with_filters
def shortlist(
    selection: Selection,
    distance: Annotated[float, _number("--distance", "From the speakers to the seat, metres.")],
    level: Annotated[float, _number("--level", "Peak level wanted at the seat, dB.")],
    volume: Annotated[float | None, _number("--volume", "Volume of the room, m³.")] = None,
    dimensions: Annotated[
        str | None, typer.Option("--dimensions", help="Or length, width and height of the room in metres: 5.2x4.1x2.5.")
    ] = None,
    reverberation: Annotated[
        float | None, _number("--reverberation", "Reverberation time, seconds. Default: 0.4, assumed.")
    ] = None,
    programme: Annotated[
        str, typer.Option("--programme", help="dynamic (average 15 dB below the peaks) or dense (4 dB).")
    ] = "dynamic",
    single: Annotated[bool, typer.Option("--single", help="One speaker instead of a pair.")] = False,
    amplifier: Annotated[
        float | None, _number("--amplifier", "Power of your amplifier into 8 Ω, watts: limits passive speakers.")
    ] = None,
    budget: Annotated[
        float | None, _number("--budget", "Highest price of the pair, or of one that stands alone.")
    ] = None,
    wall: Annotated[
        float | None, _number("--wall", "From the speakers' fronts to the wall behind them, metres.")
    ] = None,
    bass: Annotated[float | None, _number("--bass", "Bass wanted down to this −6 dB limit, Hz.")] = None,
    subwoofer: Annotated[
        float | None, _number("--subwoofer", "Crossover to a subwoofer, Hz: it then owes the bass.")
    ] = None,
    standing: Annotated[
        bool, typer.Option("--standing", help="The tone must hold when you stand up at the seat.")
    ] = False,
    top: TopOption = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Find the speakers that fit a room, a seat, a level, a purse and a shelf.

    Example: speakerdb shortlist --distance 3 --volume 60 --level 100 --budget 2000
    """
    from speakerdb.library import Question
    from speakerdb.words import documents

    one_of(programme, ("dynamic", "dense"), "--programme")
    if (volume is None) == (dimensions is None):
        raise typer.BadParameter("give the room either by --volume or by --dimensions", param_hint="--volume")
    f = selection.filters
    question = Question(
        distance_m=distance, level_db=level, volume_m3=volume, dimensions_m=_dimensions(dimensions), reverberation_s=reverberation,
        programme="dense" if programme == "dense" else "dynamic", single=single, amplifier_w=amplifier, budget=budget,
        height_max_mm=f.height_max_mm, width_max_mm=f.width_max_mm, depth_max_mm=f.depth_max_mm, mass_max_kg=f.mass_max_kg,
        wall_distance_m=wall, f6_hz=bass, subwoofer_hz=subwoofer, standing=standing,
    )  # fmt: skip
    with open_database(db) as base:
        answer = base.shortlist(question, selection=selection)
        if json:
            emit(documents.shortlist(base.state, answer))
            return
        _print_shortlist(answer, top)
        cite(base)


def _print_shortlist(answer: RoomAnswer, top: int | None) -> None:
    from speakerdb.analysis.narrowing import ORDER
    from speakerdb.words import room_words

    found, q = answer.found, answer.question
    terminal.line(room_words.headline(q, answer.seat, answer.currency))
    if len(found.rows):
        rows = found.rows if top is None else found.rows.head(top)
        terminal.line(f"\nBy their figures these meet everything, each with its chance ({len(found.rows)}):")
        _print_levels(rows)
        _print_figures(answer, rows)
        terminal.line(f"Order: {ORDER}.")
    else:
        terminal.line("\nBy their figures no speaker meets everything.")
    if len(found.near_misses):
        terminal.line(f"\nNear misses ({len(found.near_misses)}), the nearest first:")
        near = found.near_misses.head(min(top or MISSES_SHOWN, MISSES_SHOWN))
        besides = ["not judged besides"] if near["unknown"].count() else []
        terminal.table(
            ["speaker", "setting", "level at seat (dB)", "95 % interval", "chance", "misses", *besides],
            [
                [r["speaker"], r["setting"], figures.DB.number(r["level_at_seat_db"], r["censored"]), _level_interval(r),
                 room_words.chance_text(r["p_meets_low"], r["p_meets_high"]), room_words.misses_text(found.fails, r["key"]),
                 *([r["unknown"] or ""] if besides else [])]
                for r in near.iter_rows(named=True)
            ],
            right=(2, 3, 4),
        )  # fmt: skip
        if more := len(found.near_misses) - len(near):
            terminal.line(f"and {more} more near {'miss' if more == 1 else 'misses'}; --json names them.")
    if len(found.too_far):
        others = len(found.too_far)
        terminal.line(f"{others} {'other misses' if others == 1 else 'others miss'} by more; --json names them.")
    if len(found.not_judged):
        terminal.line(f"\nNot judged ({len(found.not_judged)}):")
        for (reason,), group in found.not_judged.group_by("reason", maintain_order=True):
            terminal.line(f"  {reason}: {', '.join(group['speaker'])}")
    _print_block("What this rests on:", room_words.basis(q, answer.seat, answer.price_kind))
    _print_block("Cautions:", answer.cautions)


def _print_block(heading: str, sentences: Sequence[str]) -> None:
    terminal.line(f"\n{heading}")
    for sentence in sentences:
        terminal.line(f"- {sentence}")


def _print_levels(rows: pl.DataFrame) -> None:
    """How loud, how clean, how long one may listen."""
    from speakerdb.words.room_words import chance_text

    passive = (rows["powered"] == False).fill_null(False).any()  # noqa: E712
    headings = [
        "speaker",
        "setting",
        "level at seat (dB)",
        "95 % interval",
        "chance",
        "in hand (dB)",
        "direct (dB)",
        "limited by",
        "clean to (dB)",
    ]
    headings += ["amplifier needed (W)"] if passive else []
    headings += ["NIOSH a day, dynamic / dense", "WHO/ITU a week, dynamic / dense"]
    table = []
    for r in rows.iter_rows(named=True):
        cells = [r["speaker"], r["setting"], figures.DB.number(r["level_at_seat_db"], r["censored"]), _level_interval(r),
                 chance_text(r["p_meets_low"], r["p_meets_high"]), figures.DB.number(r["margin_db"], r["censored"]),
                 figures.number(r["level_direct_db"], 1), r["limited_by"],
                 figures.number(r["clean_level_db"], 1)]  # fmt: skip
        cells += [figures.number(r["amplifier_needed_w"], 0)] if passive else []
        for limit in ("niosh_hours_per_day", "who_hours_per_week"):
            cells.append(" / ".join(figures.duration(r[f"{limit}_{programme}"]) for programme in ("dynamic", "dense")))
        table.append(cells)
    terminal.table(headings, table, right=(2, 3, 4, 5, 6, 8, *((9,) if passive else ())))


def _level_interval(r: dict[str, Any]) -> str:
    return figures.DB.interval(r["level_low_db"], r["level_high_db"]) or "–"


def _print_figures(answer: RoomAnswer, rows: pl.DataFrame) -> None:
    """What else decides: bass, preference, price, mass, the wall."""
    bands = sorted({int(name.split("_")[1][:-2]) for name in rows.columns if name.startswith("bass_")})
    wall = answer.question.wall_distance_m is not None
    headings = ["speaker", "preference", f"price ({answer.currency or 'unknown'})", "mass (kg)", "bass limit (Hz)"]
    headings += [f"{band} Hz at seat (dB)" for band in bands]
    headings += ["tone up (°)"] if answer.question.standing else []
    headings += ["ripple at the wall (dB)", "setting that suits it", "its ripple (dB)"] if wall else []
    table, whole = [], figures.Quantity("dB", 0)
    for r in rows.iter_rows(named=True):
        cells = [r["speaker"], METRICS["preference"].quantity.number(r["preference"], r["preference_censored"]), figures.number(r["cost"]),
                 figures.FACTS["mass_kg"].number(r["mass_kg"]), METRICS["f6_hz"].quantity.number(r["f6_hz"], r["f6_censored"])]  # fmt: skip
        cells += [whole.interval(r[f"bass_{band}hz_low_db"], r[f"bass_{band}hz_high_db"]) or "–" for band in bands]
        cells += (
            [METRICS["tone_up_deg"].quantity.number(r["tone_up_deg"], r["tone_up_censored"])]
            if answer.question.standing
            else []
        )
        if wall:
            cells += [
                figures.number(r["wall_ripple_db"], 1),
                r["wall_best_setting"],
                figures.number(r["wall_best_ripple_db"], 1),
            ]
        table.append(cells)
    terminal.table(headings, table, right=tuple(range(1, len(headings))))


def settings(
    speaker: SpeakerArgument,
    against: Annotated[
        str | None, typer.Option("--against", help="The setting to compare with. Default: the default one.")
    ] = None,
    wall: Annotated[
        float | None, _number("--wall", "Which setting suits a wall so many metres behind the front?")
    ] = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Compare the settings of one speaker: what each changes, how far a control reaches, which suits a wall.

    Example: speakerdb settings adze --wall 0.5
    """
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.settings(speaker, against=against, wall_distance_m=wall, exact=exact)
        if json:
            emit(documents.settings(base.state, answer))
            return
        _print_settings(answer)
        cite(base)


def _print_settings(answer: SettingsAnswer) -> None:
    from speakerdb.words import settings_words as words

    terminal.line(f"{answer.speaker}: its settings against {answer.reference}")
    for name, switches in answer.switches.items():
        recorded = (
            ", ".join(f"{key} {position}" for key, position in switches.items()) or "no switch positions recorded"
        )
        terminal.line(f"  {name}: {recorded}")
    if not answer.changes:
        terminal.line("It was measured in one setting only: there is nothing to compare.")
    for change in answer.changes:
        shift = figures.number(change.level_shift_db, 1)
        terminal.line(f"\n{change.setting} minus {answer.reference}, dB (mean level 300 Hz–3 kHz {shift} dB):")
        terminal.table(
            ["curve", *(f"{figures.plain(f)} Hz" for f in words.SHOWN_HZ)],
            [
                [part.replace("_", " "), *(figures.number(v, 1) for v in words.octave_rows(curve))]
                for part, curve in change.difference_db.items()
            ],
            right=tuple(range(1, 1 + len(words.SHOWN_HZ))),
        )
        _print_changes(answer.reference, change.setting, change.changes)
    for control in answer.controls:
        terminal.line(words.control_sentence(control))
    if answer.wall is not None:
        terminal.line(f"\n{words.wall_sentence(answer.wall)}")
        terminal.table(
            ["setting", "ripple 40–300 Hz (dB)", "bass 40–300 Hz over 300 Hz–3 kHz (dB)", "not judged because"],
            [
                [name, figures.number(ripple, 1), figures.number(bass, 1), answer.wall.reasons.get(name, "")]
                for name, ripple, bass in zip(
                    answer.wall.settings, answer.wall.total.ripple_db, answer.wall.total.bass_db, strict=True
                )
            ],
            right=(1, 2),
        )
    _print_block("Cautions:", answer.cautions)


def _print_changes(reference: str, setting: str, changes: pl.DataFrame) -> None:
    """Changes that matter or may; the rest is counted."""
    rows = []
    reasons: dict[str, list[str]] = {}
    unchanged = 0
    for r in changes.iter_rows(named=True):
        m = terminal.metric_of(r["metric"])
        if r["matters"] == "no":
            unchanged += 1
            continue
        if r["reference"] is None and r["value"] is None:
            continue
        rows.append(
            [terminal.name(m), m.quantity.number(r["reference"], r["censored_reference"]), m.quantity.number(r["value"], r["censored"]),
             m.quantity.difference(r["change"]),
             m.quantity.difference_interval(r["change_low"], r["change_high"]), r["matters"]]
        )  # fmt: skip
        if r["reason"]:
            reasons.setdefault(r["reason"], []).append(m.phrase)
    if rows:
        terminal.table(
            ["metric", reference, setting, "change", "95 % interval", "matters"], rows, right=(1, 2, 3, 4)
        )  # fmt: skip
    for reason, names in reasons.items():
        terminal.line(f"Not judged, {'; '.join(names)}: {reason}")
    terminal.line(f"{unchanged} other metrics change by less than matters.")


def claim(
    speaker: SpeakerArgument,
    setting: SettingOption = None,
    exact: ExactOption = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Set a maker's claimed maximum level against the measured one.

    Example: speakerdb claim weir-2
    """
    from speakerdb.words import documents

    with open_database(db) as base:
        answer = base.claim(speaker, setting=setting, exact=exact)
        if json:
            emit(documents.claim(base.state, answer))
            return
        terminal.line(f"{answer.speaker}, setting {answer.setting}: is the claimed maximum level believable?")
        for sentence in answer.sentences:
            terminal.line(f"- {sentence}")
        cite(base)
