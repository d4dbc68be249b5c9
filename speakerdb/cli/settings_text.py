"""What settings change, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.settings import Effects

if TYPE_CHECKING:
    import polars as pl


def tell(answer: Effects) -> None:
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
        _changes(answer.reference, change.setting, change.changes)
    for control in answer.reached:
        terminal.line(words.control_sentence(control))
    if answer.before_wall is not None:
        terminal.line(f"\n{words.wall_sentence(answer.before_wall)}")
        terminal.table(
            ["setting", "ripple 40–300 Hz (dB)", "bass 40–300 Hz over 300 Hz–3 kHz (dB)", "not judged because"],
            [
                [name, figures.number(ripple, 1), figures.number(bass, 1), answer.before_wall.reasons.get(name, "")]
                for name, ripple, bass in zip(
                    answer.before_wall.settings,
                    answer.before_wall.total.ripple_db,
                    answer.before_wall.total.bass_db,
                    strict=True,
                )
            ],
            right=(1, 2),
        )
    terminal.cautions(answer.cautions)


def _changes(reference: str, setting: str, changes: pl.DataFrame) -> None:
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
            [
                terminal.name(m),
                m.quantity.number(r["reference"], r["censored_reference"]),
                m.quantity.number(r["value"], r["censored"]),
                m.quantity.difference(r["change"]),
                m.quantity.difference_interval(r["change_low"], r["change_high"]),
                r["matters"],
            ]
        )
        if r["reason"]:
            reasons.setdefault(r["reason"], []).append(m.phrase)
    if rows:
        terminal.table(["metric", reference, setting, "change", "95 % interval", "matters"], rows, right=(1, 2, 3, 4))
    for reason, names in reasons.items():
        terminal.line(f"Not judged, {'; '.join(names)}: {reason}")
    terminal.line(f"{unchanged} other metrics change by less than matters.")
