"""The seat in its room, and the levels that speakers reach there (method:metrics#level-at-a-seat)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import exposure, programme, room
from speakerdb.analysis.judging import FloatArray, Interval, Texts, choose, given
from speakerdb.analysis.question import ASSUMED_REVERBERATION_S, Question
from speakerdb.errors import RequestError
from speakerdb.metric import Metric
from speakerdb.metrics.output_rows import PROGRAMME, PROGRAMME_MANAGED

MODEL_DB = 2.0  # how good the room model is (own judgement; method:metrics#in-a-room)
REVERBERATION_SPREAD = 0.3  # relative sd of an assumed reverberation time (method:metrics#level-at-a-seat)
PAIR_DB = 10.0 * np.log10(2.0)  # two uncorrelated sources
IN_PHASE_DB = 20.0 * np.log10(2.0)  # two sources in phase: the upper bound for mono bass
LEVEL_BAND_HZ = (300.0, 3000.0)
Flags = NDArray[np.bool_]


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


AMPLIFIER = "your amplifier"
NO_SINGLE_BAND = "no single band"


@dataclass(frozen=True, eq=False)
class Bands:
    """What n speakers can do in each of the third-octave bands (n, 31), one speaker at 1 m: low_db and high_db, between
    which the usable output lies, infinite where open; cause, codes into programme.CAUSES, −1 where unknown. window_db:
    the listening window for 2.83 V, NaN where not known. di_db: directivity index of the power that the room gets, NaN
    where not known."""

    low_db: FloatArray
    high_db: FloatArray
    cause: NDArray[np.int8]
    window_db: FloatArray
    di_db: FloatArray

    def take(self, rows: slice | NDArray[np.intp]) -> Bands:
        return Bands(self.low_db[rows], self.high_db[rows], self.cause[rows], self.window_db[rows], self.di_db[rows])


@dataclass(frozen=True, eq=False)
class Nodes:
    """Rooms that the seat may be in, each with its weight: reverberation times (J,) in s, and how far towards its best
    the room carries the bass (T,), 0 … 1."""

    reverberation_s: FloatArray
    bass: FloatArray


def levels_at(
    place: Seat, asked_db: FloatArray, output_db: FloatArray, of: Bands, pair: Flags, nodes: Nodes
) -> FloatArray:
    """(J, T, n) the loudest music at the seat, direct and reverberant sound together. output_db (n, 31): what each can
    do in a band.

    Above the Schroeder frequency each band's gain is that of the direct and the statistical field, for its directivity
    index (where that is not known, of the direct sound alone). Below, a room answers in single modes, and the gain lies
    between that of the direct sound of two uncorrelated speakers, and the statistical field of a source that radiates
    all around, of two speakers in phase.
    """
    with np.errstate(over="ignore"):
        asked = 10.0 ** (programme.share_db(asked_db, output_db) / 10.0)
    modal = place.statistical_from_hz > programme.BANDS_HZ
    direct = 1.0 / place.distance_m**2
    two = np.where(pair, 2.0, 1.0)
    radiated = np.nan_to_num(10.0 ** (of.di_db[:, ~modal] / -10.0))
    bass = asked[:, modal].sum(axis=1)
    found = np.empty((len(nodes.reverberation_s), len(nodes.bass), len(pair)))
    for j, time in enumerate(nodes.reverberation_s.tolist()):
        field = 16.0 * np.pi / room.room_constant_m2(place.volume_m3, time, place.surface_m2)
        above = (asked[:, ~modal] / (direct + radiated * field)).sum(axis=1) / two
        low, high = np.log(direct * two), np.log((direct + field) * two**2)
        for t, share in enumerate(nodes.bass.tolist()):
            found[j, t] = above + bass / np.exp(low + share * (high - low))
    with np.errstate(divide="ignore"):
        return np.asarray(-10.0 * np.log10(found))


ENDS_OF_ROOM = np.array([0.0, 0.5, 1.0])  # the bass at its worst, in between, and at its best


@dataclass(frozen=True, eq=False)
class Levels:
    """What each speaker (or pair) gives (n,): delivered by one at 1 m, and at the seat by all, each an Interval in dB;
    at_seat from the room at its worst to the room at its best, middle for the room in between, direct what a transient
    reaches, all of programme with the spectrum that was asked for.

    limited_by: a cause of programme.CAUSES, AMPLIFIER or NO_SINGLE_BAND, None where unknown; limited_at_hz: nominal
    centre of the band, NaN where it is none; gain_db: mean gain over 300 Hz–3 kHz, NaN where the sound power is
    unknown. amplifier_w: power a passive one needs for the wanted level, else NaN.
    """

    delivered: Interval
    limited_by: Texts
    limited_at_hz: FloatArray
    at_seat: Interval
    middle: Interval
    direct: Interval
    gain_db: FloatArray
    amplifier_w: FloatArray


def asked_of(question: Question) -> FloatArray:
    """(31,) what the music asks of the main speakers in each band, −∞ where nothing."""
    spectrum = question.spectrum_db or programme.SPECTRA[question.spectrum]
    from_hz = question.bass_hz or programme.FROM_HZ
    return programme.asked_db(np.asarray(spectrum), from_hz, question.subwoofer_hz)


def level_metric(question: Question) -> Metric:
    """The metric whose error the level has: with a subwoofer the one from 80 Hz up."""
    return PROGRAMME if question.subwoofer_hz is None else PROGRAMME_MANAGED


def amplified_db(of: Bands, powered: Texts, question: Question) -> FloatArray:
    """(n, 31) the level that each band would have at the amplifier's end, peaks allowed for; ∞ where none limits:
    powered (n,) True, None for unknown."""
    free = np.full(of.window_db.shape, np.inf)
    if question.amplifier_w is None:
        return free
    more = 10.0 * np.log10(question.amplifier_w) - (question.crest_db - programme.SINE_CREST_DB)
    return np.where(passive(powered)[:, None], of.window_db + more, free)


def passive(powered: Texts) -> Flags:
    return np.array([p is False for p in powered], bool)


def levels(
    seat: Seat, question: Question, of: Bands, powered: Texts, pair: Flags, largest_m: FloatArray, why_not: Texts
) -> Levels:
    """Levels at the seat. pair (n,): two speakers stand there; largest_m (n,): the cabinet's largest size, NaN where
    unknown: nearer than that, the measured far field does not hold. why_not (n,): why the output is not known."""
    asked = asked_of(question)
    amplified = amplified_db(of, powered, question)
    in_free_field = np.where(pair, PAIR_DB, 0.0) + seat.direct_db
    nodes = Nodes(np.array([seat.reverberation_s]), ENDS_OF_ROOM)
    ends, alone = [], []
    for output in (of.low_db, of.high_db):
        both = (levels_at(seat, asked, limit, of, pair, nodes)[0] for limit in (output, amplified))
        ends.append(np.minimum(*both))
        alone.append(np.minimum(programme.level_db(asked, output), programme.level_db(asked, amplified)))
    open_below, open_above = unknown(seat, of, powered, largest_m, question)
    low, high = (np.where(np.isnan(end), side, end) for end, side in zip(ends, (-np.inf, np.inf), strict=True))
    low, high = np.where(open_below, -np.inf, low), np.where(open_above, np.inf, high)
    near = too_near(largest_m, seat.distance_m)
    reason = _why_open(seat, of, powered, largest_m, question, why_not)
    free = Interval(alone[0], alone[1], why_not)
    direct = Interval(
        np.where(near, -np.inf, alone[0] + in_free_field), np.where(near, np.inf, alone[1] + in_free_field), reason
    )
    cause, at_hz = _limits(seat, asked, of, pair, amplified)
    gain = mean_gain_db(seat, of.di_db) + np.where(pair, PAIR_DB, 0.0)
    one_watt = levels_at(seat, asked, of.window_db - (question.crest_db - programme.SINE_CREST_DB), of, pair, nodes)[
        0, 1
    ]
    needed = np.where(passive(powered), 10.0 ** ((question.level_db - one_watt) / 10.0), np.nan)
    return Levels(
        free, cause, at_hz, Interval(low[0], high[2], reason), Interval(low[1], high[1], reason), direct, gain, needed
    )


def unknown(place: Seat, of: Bands, powered: Texts, largest_m: FloatArray, question: Question) -> tuple[Flags, Flags]:
    """(n,), (n,) of whom the level at the seat is not known from below, and not from above, whatever the output is."""
    near = too_near(largest_m, place.distance_m)
    power = np.isnan(of.di_db[:, _LEVEL_BANDS]).any(axis=1)
    amplifier = near | ~given(powered) if question.amplifier_w is not None else near
    return amplifier, near | power


def _why_open(
    place: Seat, of: Bands, powered: Texts, largest_m: FloatArray, question: Question, why_not: Texts
) -> Texts:
    """(n,) why so, in words; None where it is known."""
    reason = why_not
    if question.amplifier_w is not None:
        deaf = passive(powered) & np.isnan(of.window_db).all(axis=1)
        reason = choose(deaf, "sensitivity not known, so what the amplifier makes of it is not", reason)
        reason = choose(~given(powered), "powered or passive unknown", reason)
    silent = np.isnan(of.di_db[:, _LEVEL_BANDS]).any(axis=1) & ~given(reason)
    reason = choose(silent, "sound power not known, so only the direct sound is", reason)
    near = too_near(largest_m, place.distance_m)
    reason[near] = [
        f"the seat is nearer than the cabinet is large ({figures.plain(m, 2)} m): far-field levels do not hold there"
        for m in largest_m[near]
    ]
    return reason


_LEVEL_BANDS = (LEVEL_BAND_HZ[0] * 0.9 < programme.BANDS_HZ) & (LEVEL_BAND_HZ[1] * 1.1 > programme.BANDS_HZ)


def _limits(seat: Seat, asked: FloatArray, of: Bands, pair: Flags, amplified: FloatArray) -> tuple[Texts, FloatArray]:
    """What sets the level in a room in between: the cause and the band's nominal frequency."""
    gain = band_gain_db(seat, of.di_db, pair)
    output = np.where(np.isfinite(of.low_db), of.low_db, of.high_db)
    own = programme.binding(asked, output + gain)
    with np.errstate(invalid="ignore"):
        amplifier = programme.level_db(asked, amplified + gain) < programme.level_db(asked, output + gain)
    names = np.array([*programme.CAUSES, None], object)  # the last is that of an unknown one, −1
    cause = names[np.take_along_axis(of.cause, np.maximum(own.band, 0)[:, None], axis=1)[:, 0]]
    cause = choose(~own.single & (own.band >= 0), NO_SINGLE_BAND, cause)
    cause = choose(own.band < 0, None, cause)
    at_hz = np.where(own.single, np.array(programme.NOMINAL_HZ)[np.maximum(own.band, 0)], np.nan)
    return choose(amplifier, AMPLIFIER, cause), np.where(amplifier, np.nan, at_hz)


def band_gain_db(seat: Seat, di_db: FloatArray, pair: Flags) -> FloatArray:
    """(n, 31) what the room and a second speaker add to each band, in the middle of what the bass may gain."""
    modal = seat.statistical_from_hz > programme.BANDS_HZ
    two = np.where(pair, PAIR_DB, 0.0)[:, None]
    statistical = np.where(np.isnan(di_db), seat.direct_db, seat.gain_db(di_db)) + two
    around = float(seat.gain_db(np.zeros(1))[0])
    middle = 0.5 * (seat.direct_db + two + around + np.where(pair, IN_PHASE_DB, 0.0)[:, None])
    return np.asarray(np.where(modal, middle, statistical))


def mean_gain_db(seat: Seat, di_db: FloatArray) -> FloatArray:
    """(n,): gain of one speaker, mean over the bands of 300 Hz–3 kHz."""
    return np.asarray(seat.gain_db(di_db[:, _LEVEL_BANDS]).mean(axis=-1), np.float64)


def too_near(largest_m: FloatArray, distance_m: float) -> NDArray[np.bool_]:
    """(n,) where the seat is nearer than the cabinet is large, and far-field levels do not hold."""
    return np.asarray(np.nan_to_num(largest_m, nan=0.0) > distance_m)


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
    for played, below in exposure.AVERAGE_BELOW_PEAK_DB.items():
        average = level_db - below
        found[f"niosh_hours_per_day_{played}"] = exposure.niosh_hours_per_day(average)
        found[f"who_hours_per_week_{played}"] = exposure.who_hours_per_week(average)
        found[f"who_hours_per_week_{played}_sensitive"] = exposure.who_hours_per_week(average, sensitive=True)
    return found
