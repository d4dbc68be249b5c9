"""What equalisation mends, in words."""

from __future__ import annotations

from typing import Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.equalise import Equalised

_KINDS = {"peaking": "peak", "low_shelf": "low shelf", "high_shelf": "high shelf"}


def tell(answer: Equalised) -> None:
    terminal.line(f"{answer.speaker}, setting {answer.setting}: what equalisation can mend")
    if answer.filters:
        terminal.table(
            ["for the", "filter", "frequency (Hz)", "gain (dB)", "Q"],
            [
                [
                    one["purpose"],
                    _KINDS[one["type"]],
                    figures.number(one["frequency_hz"], 1),
                    figures.number(one["gain_db"], 1, signed=True),
                    figures.number(one["q"], 2),
                ]
                for one in answer.filters
            ],
            right=(2, 3, 4),
        )
        terminal.line(
            f"Set {figures.DB.text(answer.pregain_db)} before them. --json and --out FILE.csv give the coefficients at "
            f"{figures.number(answer.sampling_hz)} Hz."
        )
    for one in answer.ringing:
        terminal.line(_mode(one))
    _values(answer)
    _levels(answer)
    if answer.not_mendable:
        terminal.line("\nWhat no filter mends:")
        terminal.table(
            ["from (Hz)", "to (Hz)", "why"],
            [[figures.number(one["from_hz"]), figures.number(one["to_hz"]), one["why"]] for one in answer.not_mendable],
            right=(0, 1),
        )
    terminal.cautions(answer.cautions)


def _mode(one: dict[str, Any]) -> str:
    at = figures.hertz(one["frequency_hz"], 3)
    if one["mode_hz"] is None:
        return f"{at}: no mode of the room is known within 5 % of it."
    sides = (
        name for name, n in zip(("length", "width", "height"), one["order"], strict=True) for _ in range(min(n, 1))
    )
    order = ", ".join(str(n) for n in one["order"])
    mode = f"the {one['kind']} mode ({order}) at {figures.hertz(one['mode_hz'], 3)}"
    return f"{at}: next to {mode}, along {figures.listing(list(sides))}."


def _values(answer: Equalised) -> None:
    """Metrics that the filters change by a step that shows."""
    rows = []
    for metric, before in answer.before.items():
        m, after = terminal.metric_of(metric), answer.after[metric]
        shown = [m.quantity.number(v["value"], v["censored"], v["other_value"]) for v in (before, after)]
        if shown[0] != shown[1]:
            rows.append(
                [
                    terminal.name(m),
                    shown[0],
                    m.quantity.interval(before["low"], before["high"]),
                    shown[1],
                    m.quantity.interval(after["low"], after["high"]),
                ]
            )
    if rows:
        terminal.line()
        terminal.table(
            ["metric", "as it is", "95 % interval", "with filters", "95 % interval"], rows, right=(1, 2, 3, 4)
        )
    elif answer.filters:
        terminal.line("No metric of its response changes.")


def _levels(answer: Equalised) -> None:
    before, after = (
        figures.DB.text(value, censored)
        for value, censored in (
            (answer.level_before_db, answer.level_before_censored),
            (answer.level_after_db, answer.level_after_censored),
        )
    )
    if answer.level_before_db is not None:
        terminal.line(f"Loudest music, played as it is, at 1 m: {before}; with the filters {after}.")
