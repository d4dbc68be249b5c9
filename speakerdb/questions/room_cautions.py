"""What has to be said beside every shortlist: listening times, how sure the room model is, what to beware of."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.acoustics import exposure, room
from speakerdb.analysis import seat as seating
from speakerdb.analysis.narrowing import Shortlist
from speakerdb.analysis.question import Question
from speakerdb.analysis.seat import Seat
from speakerdb.field.naming import some
from speakerdb.questions.facts import LIFT_ALONE_KG

ABOUT = "a unit you would buy, another one of the model that was measured"


def cautions(q: Question, place: Seat, found: Shortlist, judged: pl.DataFrame, hours: Mapping[str, float]) -> list[str]:
    """What has to be said beside every shortlist, and what this one calls for. hours: at the wanted level, as `seat.hours` names them."""
    said = [
        exposure_sentence(q.level_db, hours, programme)
        for programme in sorted(exposure.AVERAGE_BELOW_PEAK_DB, key=lambda p: p != q.programme)
    ]
    said.append(f"NIOSH's is an occupational limit, not free of risk. {exposure.ADVICE}")
    said.append(
        f"The room model is good to about {seating.MODEL_DB:g} dB (own judgement)"
        + _reverberation_words(place)
        + f". Chances and intervals hold that, and are about {ABOUT}."
    )
    if place.statistical_from_hz > seating.LEVEL_BAND_HZ[0]:
        said.append(
            f"Below {place.statistical_from_hz:.0f} Hz this room answers in single modes; part of the 300 Hz–3 kHz band lies there, so "
            "levels are less sure than stated."
        )
    passive = (judged["powered"] == False).fill_null(False)  # noqa: E712
    if q.amplifier_w is None and passive.any():
        said.append(
            f"No amplifier stated: {figures.count(int(passive.sum()), 'passive speaker')} taken at what would be delivered with a large enough amplifier; the power "
            "each needs into 8 Ω stands beside it where its sensitivity is known."
        )
    said += (
        _subwoofer_caution(q)
        + _wall_cautions(q, judged)
        + _lifting(pl.concat([found.rows, found.near_misses], how="diagonal_relaxed"))
    )
    if not q.pair:
        said.append("One speaker: its price is taken as half that of a pair; some are sold in pairs only.")
    return said


def exposure_sentence(level_db: float, hours: Mapping[str, float], programme: str) -> str:
    """How long one may listen to peaks of a level, for one kind of programme."""
    average = level_db - exposure.AVERAGE_BELOW_PEAK_DB[programme]
    name = {"dynamic": "dynamic recordings", "dense": "dense recordings"}[programme]
    return (
        f"Peaks of {level_db:g} dB average about {average:.0f} dB(A) with {name}: NIOSH {hours_text(hours[f'niosh_hours_per_day_{programme}'])} "
        f"a day, WHO/ITU-T H.870 {hours_text(hours[f'who_hours_per_week_{programme}'])} a week "
        f"({hours_text(hours[f'who_hours_per_week_{programme}_sensitive'])} for children and sensitive listeners)."
    )


def hours_text(hours: float | None) -> str:
    """'2.5 h', '12 min', '40 s'; '–' where there is none."""
    if hours is None or not np.isfinite(hours):
        return "–"
    if hours >= 1.0:
        return f"{hours:.0f} h" if hours >= 10.0 else f"{hours:.1f} h"
    return f"{60.0 * hours:.0f} min" if hours >= 1.0 / 60.0 else f"{3600.0 * hours:.0f} s"


def _reverberation_words(place: Seat) -> str:
    if not place.reverberation_assumed:
        return ""
    low, high = place.reverberation_range_s()
    return (
        f"; the reverberation time is assumed, {place.reverberation_s:g} s ±{100 * seating.REVERBERATION_SPREAD:.0f} % ({low:.2g}–{high:.2g} s) "
        "for a furnished living room (common practice, no source)"
    )


def _subwoofer_caution(question: Question) -> list[str]:
    if question.subwoofer_hz is None:
        return []
    return [
        f"With a subwoofer below {question.subwoofer_hz:g} Hz bass is its task, and whether it keeps up is not judged here. The level "
        "with its balance counts from 80 Hz, whatever the crossover."
    ]


def _wall_cautions(question: Question, judged: pl.DataFrame) -> list[str]:
    if question.wall_distance_m is None:
        return []
    d = question.wall_distance_m
    found = [
        f"A wall {d:g} m behind the front puts the first dip at {room.first_dip_hz(d):.0f} Hz; floor and side walls are not in this sum."
    ]
    unknown = int(judged["depth_mm"].null_count())
    if unknown:
        found.append(
            f"The depth of {figures.count(unknown, 'speaker')} is unknown: whether it fits before the wall was not judged."
        )
    return found


def _lifting(frame: pl.DataFrame) -> list[str]:
    heavy = frame.filter(pl.col("mass_kg") > LIFT_ALONE_KG[1]).unique("speaker", maintain_order=True)
    found = []
    if len(heavy):
        names = [f"{s} ({m:g} kg)" for s, m in heavy.select("speaker", "mass_kg").iter_rows()]
        found.append(
            f"Heavy: {some(names)}. One person should not lift more than about {LIFT_ALONE_KG[0]:g} kg (men) or "
            f"{LIFT_ALONE_KG[1]:g} kg (women) at waist height; get help, and follow local rules."
        )
    unknown = frame.filter(pl.col("mass_kg").is_null())["speaker"].n_unique()
    if unknown:
        found.append(f"The mass of {figures.count(unknown, 'speaker')} listed is not known: try before you lift.")
    return found
