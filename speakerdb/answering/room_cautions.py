"""What has to be said beside every shortlist: listening times, how sure the room model is, what to beware of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from speakerdb import figures
from speakerdb.acoustics import exposure, room
from speakerdb.analysis import seat as seating
from speakerdb.analysis.narrowing import Shortlist
from speakerdb.analysis.question import Question
from speakerdb.analysis.seat import Seat
from speakerdb.answering.facts import LIFT_ALONE_KG
from speakerdb.field.naming import some

ABOUT = "a unit you would buy, another one of the model that was measured"


def cautions(
    q: Question,
    place: Seat,
    found: Shortlist,
    judged: pl.DataFrame,
    hours: Mapping[str, float],
    left_out: Sequence[Mapping[str, Any]] = (),
) -> list[str]:
    """What has to be said beside every shortlist, and what this one calls for. hours: at the wanted level, as
    `seat.hours` names them."""
    said = [
        exposure_sentence(q.level_db, hours, programme)
        for programme in sorted(exposure.AVERAGE_BELOW_PEAK_DB, key=lambda p: p != q.programme)
    ]
    said.append(f"NIOSH's is an occupational limit, not free of risk. {exposure.ADVICE}")
    said.append(
        f"The room model is good to about {figures.plain(seating.MODEL_DB)} dB (own judgement)"
        + _reverberation_words(place)
        + f". Chances and intervals hold that, and are about {ABOUT}."
    )
    said.append(
        f"Below {figures.number(place.statistical_from_hz)} Hz this room answers in single modes: how loud the bass is "
        "at your seat lies anywhere between the direct sound alone and a room that carries it best. “May” "
        "means that it is enough in the better of these rooms only."
    )
    passive = (judged["powered"] == False).fill_null(False)  # noqa: E712
    if q.amplifier_w is None and passive.any():
        said.append(
            f"No amplifier stated: {figures.count(int(passive.sum()), 'passive speaker')} taken at what "
            "would be delivered with a large enough amplifier; the power "
            "each needs into 8 Ω, its music's peaks included, stands beside it where its sensitivity is known."
        )
    said += (
        _subwoofer_caution(q)
        + _wall_cautions(q, judged)
        + _lifting(pl.concat([found.rows, found.near_misses], how="diagonal_relaxed"))
    )
    if not q.pair:
        said.append("One speaker: where the kind is bought as a pair, half of that price; some are sold in pairs only.")
    if left_out:
        names = ", ".join(figures.count(one["speakers"], one["kind"]) for one in left_out)
        said.append(f"Left out, being no {'pair' if q.pair else 'main speakers'}: {names}. Ask for them by kind.")
    return said


def exposure_sentence(level_db: float, hours: Mapping[str, float], programme: str) -> str:
    """How long one may listen to peaks of a level, for one kind of programme."""
    average = level_db - exposure.AVERAGE_BELOW_PEAK_DB[programme]
    name = {"dynamic": "dynamic recordings", "dense": "dense recordings"}[programme]
    return (
        f"Peaks of {figures.plain(level_db)} dB average about {figures.number(average)} dB(A) with {name}: "
        f"NIOSH {figures.duration(hours[f'niosh_hours_per_day_{programme}'])} "
        f"a day, WHO/ITU-T H.870 {figures.duration(hours[f'who_hours_per_week_{programme}'])} a week "
        f"({figures.duration(hours[f'who_hours_per_week_{programme}_sensitive'])} for children and sensitive "
        "listeners)."
    )


def _reverberation_words(place: Seat) -> str:
    if not place.reverberation_assumed:
        return ""
    low, high = place.reverberation_range_s()
    return (
        f"; the reverberation time is assumed, {figures.plain(place.reverberation_s)} s "
        f"±{figures.percent(seating.REVERBERATION_SPREAD)} ({figures.plain(low, 2)}–{figures.plain(high, 2)} "
        "s) "
        "for a furnished living room (common practice, no source)"
    )


def _subwoofer_caution(question: Question) -> list[str]:
    if question.subwoofer_hz is None:
        return []
    return [
        f"With a subwoofer below {figures.plain(question.subwoofer_hz)} Hz bass is its task, and whether it "
        "keeps up is not judged here."
    ]


def _wall_cautions(question: Question, judged: pl.DataFrame) -> list[str]:
    if question.wall_distance_m is None:
        return []
    d = question.wall_distance_m
    found = [
        f"A wall {figures.plain(d)} m behind the front puts the first dip at "
        f"{figures.number(room.first_dip_hz(d))} Hz; floor and side walls are not in this sum."
    ]
    unknown = int(judged["depth_mm"].null_count())
    if unknown:
        found.append(
            f"The depth of {figures.count(unknown, 'speaker')} is unknown: whether it fits before the wall "
            "was not judged."
        )
    return found


def _lifting(frame: pl.DataFrame) -> list[str]:
    heavy = frame.filter(pl.col("mass_kg") > LIFT_ALONE_KG[1]).unique("speaker", maintain_order=True)
    found = []
    if len(heavy):
        names = [f"{s} ({figures.FACTS['mass_kg'].text(m)})" for s, m in heavy.select("speaker", "mass_kg").iter_rows()]
        found.append(
            f"Heavy: {some(names)}. One person should not lift more than about "
            f"{figures.plain(LIFT_ALONE_KG[0])} kg (men) or "
            f"{figures.plain(LIFT_ALONE_KG[1])} kg (women) at waist height; get help, and follow local rules."
        )
    unknown = frame.filter(pl.col("mass_kg").is_null())["speaker"].n_unique()
    if unknown:
        found.append(f"The mass of {figures.count(unknown, 'speaker')} listed is not known: try before you lift.")
    return found
