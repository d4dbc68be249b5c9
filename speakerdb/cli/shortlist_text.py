"""A shortlist in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.metrics import METRICS
from speakerdb.questions.shortlist import Shortlisted

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.answering.shortlisting import RoomAnswer

MISSES_SHOWN = 10  # near misses printed; --json gives them all


def tell(answer: Shortlisted) -> None:
    import polars as pl

    from speakerdb.analysis.narrowing import ORDER
    from speakerdb.words import room_words

    whole, counts = answer.found, answer.counts
    found, q = whole.found, whole.question
    terminal.line(room_words.headline(q, whole.seat, whole.currency))
    shown = found.rows.head(len(answer.rows))
    for fits, heading in (("yes", "These fit"), ("may", "These may, if the room carries the bass")):
        count, rows = len(found.rows.filter(pl.col("fits") == fits)), shown.filter(pl.col("fits") == fits)
        if len(rows):
            terminal.line(f"\n{heading}, each with its chance ({count}):")
            _levels(rows)
            _figures(whole, rows)
    if not counts["rows"]:
        terminal.line("\nBy their figures no speaker fits.")
    elif len(shown):
        terminal.line(f"Order: {ORDER}.")
    if counts["near_misses"]:
        _near(whole, found.near_misses.head(min(len(answer.near_misses), MISSES_SHOWN)), counts["near_misses"])
    if others := counts["too_far"]:
        terminal.line(f"{others} {'other misses' if others == 1 else 'others miss'} by more; --json names them.")
    terminal.not_judged(found.not_judged)
    _block("What this rests on:", room_words.basis(q, whole.seat, whole.price_kind))
    _block("Cautions:", answer.cautions)


def _near(whole: RoomAnswer, near: pl.DataFrame, count: int) -> None:
    from speakerdb.words import room_words

    terminal.line(f"\nNear misses ({count}), the nearest first:")
    besides = ["not judged besides"] if near["unknown"].count() else []
    terminal.table(
        ["speaker", "setting", "level at seat (dB)", "95 % interval", "chance", "misses", *besides],
        [
            [
                r["speaker"],
                r["setting"],
                figures.DB.number(r["level_at_seat_db"], r["censored"]),
                _level_interval(r),
                room_words.chance_text(r["p_meets_low"], r["p_meets_high"]),
                room_words.misses_text(whole.found.fails, r["key"]),
                *([r["unknown"] or ""] if besides else []),
            ]
            for r in near.iter_rows(named=True)
        ],
        right=(2, 3, 4),
    )
    if more := count - len(near):
        terminal.line(f"and {more} more near {'miss' if more == 1 else 'misses'}; --json names them.")


def _block(heading: str, sentences: Sequence[str]) -> None:
    terminal.line(f"\n{heading}")
    for sentence in sentences:
        terminal.line(f"- {sentence}")


def _levels(rows: pl.DataFrame) -> None:
    """How loud, how clean, how long one may listen."""
    from speakerdb.words.room_words import chance_text, limited_text

    passive = (rows["powered"] == False).fill_null(False).any()  # noqa: E712
    headings = [
        "speaker",
        "setting",
        "level at seat (dB)",
        "95 % interval",
        "chance",
        "headroom (dB)",
        "direct (dB)",
        "limited by",
        "clean to (dB)",
    ]
    headings += ["amplifier needed (W)"] if passive else []
    headings += ["NIOSH a day, dynamic / dense", "WHO/ITU a week, dynamic / dense"]
    table = []
    for r in rows.iter_rows(named=True):
        cells = [
            r["speaker"],
            r["setting"],
            figures.DB.number(r["level_at_seat_db"], r["censored"]),
            _level_interval(r),
            chance_text(r["p_meets_low"], r["p_meets_high"]),
            figures.DB.number(r["margin_db"], r["censored"]),
            figures.number(r["level_direct_db"], 1),
            limited_text(r["limited_by"], r["limited_at_hz"]),
            figures.number(r["clean_level_db"], 1),
        ]
        cells += [figures.number(r["amplifier_needed_w"], 0)] if passive else []
        for limit in ("niosh_hours_per_day", "who_hours_per_week"):
            cells.append(" / ".join(figures.duration(r[f"{limit}_{programme}"]) for programme in ("dynamic", "dense")))
        table.append(cells)
    terminal.table(headings, table, right=(2, 3, 4, 5, 6, 8, *((9,) if passive else ())))


def _level_interval(r: dict[str, Any]) -> str:
    return figures.DB.interval(r["level_low_db"], r["level_high_db"]) or "–"


def _figures(answer: RoomAnswer, rows: pl.DataFrame) -> None:
    """What else decides: bass, preference, price, mass, the wall."""
    bands = sorted({int(name.split("_")[1][:-2]) for name in rows.columns if name.startswith("bass_")})
    wall = answer.question.wall_distance_m is not None
    headings = ["speaker", "preference", f"price ({answer.currency or 'unknown'})", "mass (kg)", "LF extension (Hz)"]
    headings += [f"{band} Hz at seat (dB)" for band in bands]
    headings += ["tone up (°)"] if answer.question.standing else []
    headings += ["ripple at the wall (dB)", "setting that suits it", "its ripple (dB)"] if wall else []
    table, whole = [], figures.Quantity("dB", 0)
    for r in rows.iter_rows(named=True):
        cells = [
            r["speaker"],
            METRICS["preference"].quantity.number(r["preference"], r["preference_censored"]),
            figures.number(r["cost"]),
            figures.FACTS["mass_kg"].number(r["mass_kg"]),
            figures.Quantity("Hz", 1).number(r["lf_extension_hz"], r["lf_extension_censored"]),
        ]
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
