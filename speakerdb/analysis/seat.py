"""The seat in its room, and the levels that speakers reach there (method:metrics#level-at-a-seat)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import exposure, grid, room
from speakerdb.analysis.judging import FloatArray, Interval, Texts, always, choose, given, lowest
from speakerdb.analysis.question import ASSUMED_REVERBERATION_S, Question
from speakerdb.errors import RequestError
from speakerdb.metrics.output_rows import BALANCE, BALANCE_MANAGED, MAXIMUM, SENSITIVITY

MODEL_DB = 2.0  # how good the room model is (own judgement; method:metrics#in-a-room)
REVERBERATION_SPREAD = 0.3  # relative sd of an assumed reverberation time (method:metrics#level-at-a-seat)
PAIR_DB = 10.0 * np.log10(2.0)  # two uncorrelated sources
IN_PHASE_DB = 20.0 * np.log10(2.0)  # two sources in phase: the upper bound for mono bass
LEVEL_BAND_HZ = (300.0, 3000.0)


@dataclass(frozen=True)
class Seat:
    """A listening place: distance in m, room volume in m³, surface in m², reverberation time in s, room constant in
    m²."""

    distance_m: float
    volume_m3: float
    surface_m2: float
    surface_assumed: bool
    reverberation_s: float
    reverberation_assumed: bool
    room_constant_m2: float

    @property
    def statistical_from_hz(self) -> float:
        """Below this the room answers in single modes, and only a range can be given."""
        return room.statistical_from_hz(self.volume_m3, self.reverberation_s)

    @property
    def direct_db(self) -> float:
        """Direct sound alone, re 1 m."""
        return -20.0 * float(np.log10(self.distance_m))

    def gain_db(self, di_db: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
        """Direct and reverberant sound together re 1 m, for a directivity index in dB of any shape."""
        return room.seat_gain_db(di_db, self.distance_m, self.room_constant_m2)

    def reverberation_range_s(self) -> tuple[float, float]:
        """An assumed reverberation time and its standard deviation to either side; a stated one is taken as it is."""
        spread = REVERBERATION_SPREAD if self.reverberation_assumed else 0.0
        return self.reverberation_s * (1.0 - spread), self.reverberation_s * (1.0 + spread)


def sit(question: Question) -> Seat:
    """The seat of a question. Raises RequestError where the reverberation time is shorter than the room allows."""
    volume = question.room_volume_m3
    surface = room.box_surface_m2(*question.dimensions_m) if question.dimensions_m else room.typical_surface_m2(volume)
    time = question.reverberation_s or ASSUMED_REVERBERATION_S
    if (area := room.absorption_m2(volume, time)) >= surface:
        shortest = room.absorption_m2(volume, 1.0) / surface
        raise RequestError(
            f"a reverberation time of {figures.plain(time)} s in a room of {figures.plain(volume)} m³ needs "
            f"{figures.number(area)} m² of full absorption, more than its "
            f"{figures.number(surface)} m² of surface; expected more than {figures.number(shortest, 2)} s"
        )
    return Seat(
        question.distance_m,
        volume,
        surface,
        question.dimensions_m is None,
        time,
        question.reverberation_s is None,
        room.room_constant_m2(volume, time, surface),
    )


@dataclass(frozen=True, eq=False)
class Levels:
    """What each speaker (or pair) gives: delivered at 1 m by one, and at the seat by all, each an Interval (n,) in dB.

    limited_by (n,): 'maximum', 'balance', 'amplifier' or None where unknown. at_seat is direct plus reverberant sound,
    direct is what a transient reaches. gain_db (n,): from delivered to at_seat, NaN where the sound power is unknown.
    amplifier_w (n,): power a passive one needs for the wanted level, else NaN.
    """

    delivered: Interval
    limited_by: Texts
    at_seat: Interval
    direct: Interval
    gain_db: FloatArray
    amplifier_w: FloatArray


LIMITS = ("maximum", "balance", "amplifier")


def balance_metric(question: Question) -> str:
    """Which balance level counts: with a subwoofer the one from 80 Hz."""
    return (BALANCE if question.subwoofer_hz is None else BALANCE_MANAGED).id


def level_figures(question: Question) -> list[str]:
    """The measured figures that decide the level, and whose errors bear on it."""
    return [MAXIMUM.id, balance_metric(question)] + ([SENSITIVITY.id] if question.amplifier_w is not None else [])


def limits_of(figures: Mapping[str, Interval], powered: Texts, question: Question) -> list[Interval]:
    """What limits one speaker at 1 m, in the order of LIMITS. figures (n,), or (K, n) at K steps of each."""
    amplifier = _amplifier(figures[SENSITIVITY.id], powered, question.amplifier_w)
    return [figures[MAXIMUM.id], figures[balance_metric(question)], amplifier]


def delivered(figures: Mapping[str, Interval], powered: Texts, question: Question) -> tuple[Interval, Texts]:
    """Level of one speaker at 1 m, and what limits it: the lowest of maximum, balance and amplifier level.

    powered (n,): True, False or None.
    """
    parts = limits_of(figures, powered, question)
    found = lowest(parts)
    known = np.stack([np.where(np.isfinite(p.low), p.low, p.high) for p in parts])
    which = np.array(LIMITS, object)[known.argmin(axis=0)]
    return found, choose(np.isfinite(known.min(axis=0)), which)


def _amplifier(sensitivity: Interval, powered: Texts, watts: float | None) -> Interval:
    """What the amplifier allows a passive speaker: sensitivity + 10·log10(watts into 8 Ω); nothing limits the
    others."""
    free = always(len(powered))
    if watts is None:
        return free
    passive, unknown = _passive(powered), ~given(powered)
    limited = sensitivity.plus(10.0 * np.log10(watts))
    return Interval(
        np.where(passive | unknown, limited.low, free.low),
        np.where(passive, limited.high, free.high),
        choose(passive, limited.reason, choose(unknown, "powered or passive unknown")),
    )


def _passive(powered: Texts) -> NDArray[np.bool_]:
    return np.array([p is False for p in powered], bool)


def levels(
    seat: Seat,
    question: Question,
    figures: Mapping[str, Interval],
    powered: Texts,
    pair: NDArray[np.bool_],
    di_db: NDArray[np.floating[Any]],
    largest_m: FloatArray,
) -> Levels:
    """Levels at the seat. pair (n,): two speakers stand there; di_db (n, 199), NaN where unknown; largest_m (n,): the
    cabinet's largest size, NaN where unknown: nearer than that, the measured far field does not hold."""
    found, limited_by = delivered(figures, powered, question)
    band = di_db[:, grid.band(*LEVEL_BAND_HZ)]
    of_pair = np.where(pair, PAIR_DB, 0.0)
    gain = mean_gain_db(seat, seat.reverberation_s, band) + of_pair
    direct = found.plus(seat.direct_db + of_pair)
    unknown = np.isnan(gain)
    at_seat = Interval(
        np.where(unknown, direct.low, found.low + gain),
        np.where(unknown, np.inf, found.high + gain),
        choose(unknown & ~given(found.reason), "sound power not known, so only the direct sound is", found.reason),
    )
    at_seat, direct = (_far_field(figure, seat.distance_m, largest_m) for figure in (at_seat, direct))
    needed = question.level_db - gain - figures[SENSITIVITY.id].low
    return Levels(
        found, limited_by, at_seat, direct, gain, np.where(_passive(powered), 10.0 ** (needed / 10.0), np.nan)
    )


def mean_gain_db(seat: Seat, reverberation_s: float, di_db: NDArray[np.floating[Any]]) -> FloatArray:
    """(n,): gain of one speaker at a reverberation time, mean over the columns of di_db (n, k), those of
    LEVEL_BAND_HZ."""
    constant = room.room_constant_m2(seat.volume_m3, reverberation_s, seat.surface_m2)
    return np.asarray(room.seat_gain_db(di_db, seat.distance_m, constant).mean(axis=-1), np.float64)


def too_near(largest_m: FloatArray, distance_m: float) -> NDArray[np.bool_]:
    """(n,) where the seat is nearer than the cabinet is large, and far-field levels do not hold."""
    return np.asarray(np.nan_to_num(largest_m, nan=0.0) > distance_m)


def _far_field(figure: Interval, distance_m: float, largest_m: FloatArray) -> Interval:
    near = too_near(largest_m, distance_m)
    words = [
        f"the seat is nearer than the cabinet is large ({figures.plain(m, 2)} m): far-field levels do not hold there"
        for m in largest_m[near]
    ]
    reason = figure.reason.copy()
    reason[near] = words
    return Interval(np.where(near, -np.inf, figure.low), np.where(near, np.inf, figure.high), reason)


def bass(
    seat: Seat, usable: Interval, frequency_hz: float, di_db: NDArray[np.floating[Any]], pair: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """(n,), (n,): lowest and highest bass level at the seat at one frequency, NaN where open or unknown.

    usable: usable output at 1 m; di_db (n,) there. Below the statistical region from free field and two uncorrelated
    speakers up to an omnidirectional source in the statistical field with both in phase.
    """
    modal = frequency_hz < seat.statistical_from_hz
    gain = seat.gain_db(np.zeros(1) if modal else di_db)
    low = usable.low + (seat.direct_db if modal else gain) + np.where(pair, PAIR_DB, 0.0)
    high = usable.high + gain + np.where(pair, IN_PHASE_DB, 0.0)
    return np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)


def hours(level_db: FloatArray) -> dict[str, FloatArray]:
    """Listening times beside peak levels (n,), for both kinds of programme, in hours: NIOSH a day, WHO/ITU-T H.870 a
    week."""
    found = {}
    for programme, below in exposure.AVERAGE_BELOW_PEAK_DB.items():
        average = level_db - below
        found[f"niosh_hours_per_day_{programme}"] = exposure.niosh_hours_per_day(average)
        found[f"who_hours_per_week_{programme}"] = exposure.who_hours_per_week(average)
        found[f"who_hours_per_week_{programme}_sensitive"] = exposure.who_hours_per_week(average, sensitive=True)
    return found
