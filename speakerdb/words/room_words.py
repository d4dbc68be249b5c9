"""A shortlist in words: what was asked, what it rests on, its chances and misses."""

from __future__ import annotations

import polars as pl

from speakerdb import figures
from speakerdb.analysis import seat as seating
from speakerdb.analysis.question import STANDING_RISE_M, Question
from speakerdb.analysis.seat import Seat
from speakerdb.answering.room_cautions import ABOUT

CANT_BE_TOLD = "can't be told"


def headline(q: Question, place: Seat, currency: str | None) -> str:
    """The question in one line."""
    parts = [
        f"peaks of {figures.plain(q.level_db)} dB at {figures.plain(q.distance_m)} m in "
        f"{figures.plain(place.volume_m3, 3)} m³"
    ]
    parts.append("one speaker" if q.single else "a pair")
    parts += [f"amplifier of {figures.plain(q.amplifier_w)} W into 8 Ω"] if q.amplifier_w is not None else []
    parts += [f"at most {figures.joined(figures.plain(q.budget), currency or '')}"] if q.budget is not None else []
    for side, unit in (("height", "mm"), ("width", "mm"), ("depth", "mm"), ("mass", "kg")):
        limit = getattr(q, f"{side}_max_{unit}")
        parts += [f"{side} at most {figures.plain(limit)} {unit}"] if limit is not None else []
    parts += [f"bass to {figures.plain(q.bass_hz)} Hz"] if q.bass_hz is not None and q.subwoofer_hz is None else []
    parts += [f"subwoofer below {figures.plain(q.subwoofer_hz)} Hz"] if q.subwoofer_hz is not None else []
    parts += [f"wall {figures.plain(q.wall_distance_m)} m behind the front"] if q.wall_distance_m is not None else []
    parts += ["tone held when standing"] if q.standing else []
    return "Asked: " + ", ".join(parts)


def basis(q: Question, place: Seat, price_kind: str | None) -> list[str]:
    """What the answer rests on, in sentences."""
    time = f"{figures.plain(place.reverberation_s)} s" + (" (assumed)" if place.reverberation_assumed else "")
    surface = f"{figures.number(place.surface_m2)} m²" + (" (typical of the volume)" if place.surface_assumed else "")
    said = [
        f"Level at the seat: the loudest moments (short-term RMS, 125 ms) of music with the {_spectrum(q)}, "
        "each band no "
        "louder than the speaker can use; direct and reverberant sound, in a room that carries the bass half "
        "way, dB(A) "
        "taken equal to dB. The direct column is what a transient reaches. Room of "
        f"{figures.plain(place.volume_m3, 3)} m³, "
        f"surface {surface}, reverberation time {time}.",
        f"A pair gives {figures.DB.text(seating.PAIR_DB)} more than one (uncorrelated), in mono bass at most "
        f"{figures.DB.text(seating.IN_PHASE_DB)}; what stands alone is "
        "paid for singly."
        if q.pair
        else "One speaker.",
        f"Chance and interval are about {ABOUT}. They hold the same errors: how far units of a model differ, "
        "those of the measurement with "
        f"its bench, {figures.plain(seating.MODEL_DB)} dB of the room "
        f"model{' and the assumed reverberation time' if place.reverberation_assumed else ''}. A "
        "level at the low end of its interval is reached with a probability of 97.5 %.",
        *(
            [
                f"Passive speakers get what {figures.plain(q.amplifier_w)} W into 8 Ω gives, with peaks of "
                f"{figures.plain(q.crest_db)} dB above the loudest moments (own judgement)."
            ]
            if q.amplifier_w
            else []
        ),
        f"Bass at the seat is a range, below {figures.number(place.statistical_from_hz)} Hz from free field "
        "to a source that radiates all around.",
        f"Prices: the newest {price_kind or 'street price, else the newest list price'}.",
    ]
    if q.tone_up_deg is not None:
        said.append(
            f"Standing lifts the ear by {figures.plain(STANDING_RISE_M)} m (own judgement), at "
            f"{figures.plain(q.distance_m)} m that is {figures.number(q.tone_up_deg)}° upward."
        )
    return said


def _spectrum(q: Question) -> str:
    if q.spectrum_db is not None:
        return "spectrum of your file"
    return {"programme": "usual spectrum of programmes", "pink": "spectrum of pink noise"}[q.spectrum]


def limited_text(by: str | None, at_hz: float | None) -> str | None:
    """'distortion at 50 Hz', 'your amplifier'."""
    return by if by is None or at_hz is None else f"{by} at {figures.hertz(at_hz, 3)}"


def chance_text(low: float | None, high: float | None) -> str:
    """'62 %'; 'at least 62 %' or 'at most 26 %' where an open figure leaves the other end unknown, CANT_BE_TOLD where
    it leaves both; '–' where none was worked out. Never 0 or 100 %."""
    if low is None or high is None:
        return "–"
    least, most = figures.probability(low), figures.probability(high)
    if least == most:
        return least
    if low < figures.RARE:
        return CANT_BE_TOLD if high > figures.ALMOST else f"at most {most}"
    return f"at least {least}" if high > figures.ALMOST else f"{least.removesuffix(' %')} to {most}"


def miss_text(by: float, unit: str) -> str:
    """'1.2 dB', '40 EUR': by how much a limit is missed, to a tenth in dB and below 10."""
    return figures.joined(figures.number(by, 1 if unit == "dB" or by < 10 else 0), unit)


def misses_text(fails: pl.DataFrame, key: int) -> str:
    """'level by 1.2 dB; price by 40 EUR' of one speaker."""
    parts = []
    for what, by, unit, at_least in (
        fails.filter(pl.col("key") == key).select("what", "by", "unit", "at_least").iter_rows()
    ):
        parts.append(f"{what} by {'at least ' if at_least else ''}{miss_text(by, unit)}")
    return "; ".join(parts)
