"""A shortlist in words: what was asked, what it rests on, its chances and misses."""

from __future__ import annotations

import polars as pl

from speakerdb.analysis import seat as seating
from speakerdb.analysis.question import STANDING_RISE_M, Question
from speakerdb.analysis.seat import Seat
from speakerdb.questions.room_cautions import ABOUT

ALMOST = 0.99  # beyond this nothing is told more closely
CANT_BE_TOLD = "can't be told"


def headline(q: Question, place: Seat, currency: str | None) -> str:
    """The question in one line."""
    parts = [f"peaks of {q.level_db:g} dB at {q.distance_m:g} m in {place.volume_m3:.3g} m³"]
    parts.append("one speaker" if q.single else "a pair")
    parts += [f"amplifier of {q.amplifier_w:g} W into 8 Ω"] if q.amplifier_w is not None else []
    parts += [f"at most {q.budget:g} {currency or ''}".rstrip()] if q.budget is not None else []
    for side, unit in (("height", "mm"), ("width", "mm"), ("depth", "mm"), ("mass", "kg")):
        limit = getattr(q, f"{side}_max_{unit}")
        parts += [f"{side} at most {limit:g} {unit}"] if limit is not None else []
    parts += [f"bass to {q.f6_hz:g} Hz"] if q.f6_hz is not None and q.subwoofer_hz is None else []
    parts += [f"subwoofer below {q.subwoofer_hz:g} Hz"] if q.subwoofer_hz is not None else []
    parts += [f"wall {q.wall_distance_m:g} m behind the front"] if q.wall_distance_m is not None else []
    parts += ["tone held when standing"] if q.standing else []
    return "Asked: " + ", ".join(parts)


def basis(q: Question, place: Seat, price_kind: str | None) -> list[str]:
    """What the answer rests on, in sentences."""
    time = f"{place.reverberation_s:g} s" + (" (assumed)" if place.reverberation_assumed else "")
    surface = f"{place.surface_m2:.0f} m²" + (" (typical of the volume)" if place.surface_assumed else "")
    said = [
        f"Level at the seat: highest short-term RMS (125 ms), direct and reverberant sound, mean over 300 Hz–3 kHz, dB(A) taken equal to "
        f"dB; the direct column is what a transient reaches. Room of {place.volume_m3:.3g} m³, surface {surface}, reverberation time {time}.",
        f"A pair gives {seating.PAIR_DB:.1f} dB more than one (uncorrelated), in mono bass at most {seating.IN_PHASE_DB:.1f} dB; soundbars and "
        "portables stand alone, and are paid for alone." if q.pair else "One speaker.",
        f"Chance and interval are about {ABOUT}. They hold the same errors: how far units of a model differ, those of the measurement with "
        f"its bench, {seating.MODEL_DB:g} dB of the room model{' and the assumed reverberation time' if place.reverberation_assumed else ''}. A "
        "level at the low end of its interval is reached with a probability of 97.5 %.",
        "The lower of maximum level and highest level with its balance counts"
        + (f", and for passive speakers what {q.amplifier_w:g} W into 8 Ω gives." if q.amplifier_w else "."),
        f"Bass at the seat is a range, below {place.statistical_from_hz:.0f} Hz from free field to a source that radiates all around.",
        f"Prices: the newest {price_kind or 'street price, else the newest list price'}.",
    ]  # fmt: skip
    if q.tone_up_deg is not None:
        said.append(
            f"Standing lifts the ear by {STANDING_RISE_M:g} m (own judgement), at {q.distance_m:g} m that is {q.tone_up_deg:.0f}° upward."
        )
    return said


def chance_text(low: float | None, high: float | None) -> str:
    """'62 %'; 'at least 62 %' or 'at most 26 %' where an open figure leaves the other end unknown, CANT_BE_TOLD where it leaves both;
    '–' where none was worked out. Never 0 or 100 %."""
    if low is None or high is None:
        return "–"
    least, most = percent(low), percent(high)
    if least == most:
        return least
    if low < 1.0 - ALMOST:
        return CANT_BE_TOLD if high > ALMOST else f"at most {most}"
    return f"at least {least}" if high > ALMOST else f"{least.removesuffix(' %')} … {most}"


def percent(share: float) -> str:
    """A probability in words, never 0 or 100 %."""
    if share > ALMOST:
        return "> 99 %"
    return "< 1 %" if share < 1.0 - ALMOST else f"{100.0 * share:.0f} %"


def misses_text(fails: pl.DataFrame, key: int) -> str:
    """'level by 1.2 dB; price by 40 EUR' of one speaker."""
    parts = []
    for what, by, unit, at_least in (
        fails.filter(pl.col("key") == key).select("what", "by", "unit", "at_least").iter_rows()
    ):
        amount = f"{by:.1f}" if unit == "dB" or by < 10 else f"{by:.0f}"
        parts.append(f"{what} by {'at least ' if at_least else ''}{amount}{'' if unit == '°' else ' '}{unit}".rstrip())
    return "; ".join(parts)
