"""A main speaker with a subwoofer, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.pair import Paired

if TYPE_CHECKING:
    import polars as pl

_WHO = {"main": "the main speaker", "subwoofer": "the subwoofer", "either": "one of both: which can't be told"}


def tell(answer: Paired) -> None:
    at, db = figures.hertz(answer.crossover_hz, 3), figures.DB
    terminal.line(f"{answer.main}, setting {answer.setting}, with {answer.subwoofer or 'a subwoofer'} below {at}")
    terminal.line(
        f"Loudest music at 1 m, the main speaker: {db.text(answer.main_level_db, answer.main_level_censored)}"
    )
    if answer.subwoofer is not None:
        by = _WHO[answer.limited_by or "either"]
        terminal.line(f"Both together: {db.text(answer.level_db, answer.level_censored)}, limited by {by}.")
    if answer.wanted_db is not None and answer.needs_hz is not None:
        hz = figures.hertz(answer.needs_hz, 3)
        terminal.line(f"For {db.text(answer.wanted_db)} it needs a crossover at {hz} or above.")
    if (begin := answer.alignment) is not None:
        polarity = "inverted" if begin["inverted"] else "not inverted"
        late = f"{figures.number(begin['delay_ms'], 1)} ms ({figures.number(begin['delay_m'], 1)} m)"
        terminal.line(
            f"To begin with: main speaker {polarity}, delayed by {late}; the sum then falls to "
            f"{db.text(begin['lowest_db'])} near the crossover, without to {db.text(begin['plain_db'])}."
        )
    terminal.table(
        ["crossover (Hz)", "main speaker's level (dB)"],
        [[figures.plain(c["crossover_hz"]), db.number(c["level_db"], c["censored"])] for c in answer.crossovers],
        right=(0, 1),
    )
    if len(answer.rows):
        terminal.line("\nSubwoofers that keep up, by price:" if answer.subwoofer is None else "")
        _subwoofers(answer.rows)
    elif answer.subwoofer is None:
        terminal.line("No subwoofer keeps up with it.")
    if len(answer.too_quiet):
        terminal.line("\nToo quiet for it:")
        _subwoofers(answer.too_quiet)
    terminal.not_judged(answer.not_judged)
    terminal.cautions(answer.cautions)


def _subwoofers(rows: pl.DataFrame) -> None:
    terminal.table(
        ["subwoofer", "setting", "price", "level (dB)", "keeps up"],
        [
            [
                r["subwoofer"],
                r["setting"],
                figures.price(r["price"], r["currency"]),
                figures.DB.number(r["level_db"], r["censored"]),
                r["keeps_up"],
            ]
            for r in rows.iter_rows(named=True)
        ],
        right=(2, 3),
    )
