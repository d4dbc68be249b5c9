"""Which speakers fit a room, a seat, a level, a budget and a shelf?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, AskError, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Top, Withheld, sides_of
from speakerdb.questions.whom import Whom
from speakerdb.terms import Censoring, Programme, Spectrum

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.question import Question as RoomQuestion
    from speakerdb.answering.shortlisting import RoomAnswer


class Hours(Row):
    """How long one may listen at a level; null: not at all within reason, or without limit."""

    niosh_hours_per_day: float | None
    who_hours_per_week: float | None
    who_hours_per_week_sensitive: float | None


class Assumptions(Row):
    """Everything that the answer rests on, as asked or as assumed."""

    distance_m: float
    volume_m3: float
    dimensions_m: list[float] | None
    surface_m2: float
    surface_assumed: bool
    reverberation_s: float
    reverberation_assumed: bool
    reverberation_low_s: float
    reverberation_high_s: float
    room_constant_m2: float
    statistical_from_hz: Annotated[float, Told("below it the room's single modes decide")]
    room_model_db: Annotated[float, Told("standard deviation of the room's model")]
    about: str
    level_db: float
    level_is: str
    programme: Programme
    average_below_peak_db: dict[Programme, float]
    speakers: Literal[1, 2]
    pair_gain_db: float
    amplifier_w: float | None
    budget: float | None
    currency: str | None
    price_kind: str
    height_max_mm: float | None
    width_max_mm: float | None
    depth_max_mm: float | None
    mass_max_kg: float | None
    wall_distance_m: float | None
    bass_hz: Annotated[float | None, Told("bass wanted down to there")]
    subwoofer_hz: float | None
    spectrum: Annotated[str, Told("of the music: programme, pink, or the name of a file")]
    bands_from_hz: Annotated[float, Told("the lowest third-octave band that the level holds for")]
    crest_db: Annotated[float, Told("peaks of the waveform above the loudest short-term r.m.s., for an amplifier")]
    standing: bool
    tone_up_deg: float | None
    filters: str
    order: Annotated[str, Told("of the rows, in words")]
    near_misses: Annotated[str, Told("what counts as one, in words")]
    exposure: Annotated[dict[Programme, Hours], Told("at the wanted level")]


class Asked(Row):
    """What the speaker, or the pair, costs."""

    amount: float | None
    per: Literal["pair", "one"]
    currency: str | None
    date: str | None


class BassBand(Row):
    """Level at the seat that a band can reach, between the room at its worst and its best."""

    frequency_hz: float
    low_db: float | None
    high_db: float | None


class AtWall(Row):
    """How even it is before the wall, and which of its settings suits that best."""

    ripple_db: float | None
    best_setting: str | None
    best_ripple_db: float | None


class Candidate(Row):
    """One speaker at the seat."""

    speaker: str
    setting: str
    level_at_seat_db: Annotated[
        float | None, Told("peaks of music, both speakers of a pair, in a room that carries the bass half way")
    ]
    censored: Censoring
    level_low_db: Annotated[float | None, Told("the 95 % interval, for a unit one would buy")]
    level_high_db: float | None
    margin_db: Annotated[float | None, Told("over the wanted level")]
    p_meets: Annotated[float | None, Told("how likely a unit one would buy meets everything")]
    p_meets_low: float | None
    p_meets_high: float | None
    level_direct_db: float | None
    delivered_db: float | None
    limited_by: Annotated[str | None, Told("what sets the level; with limited_at_hz in which band")]
    limited_at_hz: float | None
    clean_level_db: float | None
    amplifier_needed_w: float | None
    lf_extension_hz: float | None
    lf_extension_censored: Censoring
    tone_up_deg: float | None
    tone_up_censored: Censoring
    preference: float | None
    preference_censored: Censoring
    price_kind: str | None
    mass_kg: float | None
    unit: Literal["dB"]
    speakers_at_work: Literal[1, 2]
    price: Asked
    exposure: dict[Programme, Hours]
    bass: list[BassBand]
    wall: AtWall | None


class Fail(Row):
    """What is missed, by how much (by that or more where at_least)."""

    what: str
    by: float
    unit: str
    at_least: bool


class Fitting(Candidate):
    """One that fits, or may."""

    fits: Annotated[Literal["yes", "may"], Told("may: as the room carries the bass, or as its open figures turn out")]


class NearMiss(Candidate):
    """One that misses by little."""

    fails: list[Fail]
    unknown: Annotated[str | None, Told("what could not be judged besides")]


class TooFar(Row):
    """One that misses by more."""

    speaker: str
    setting: str
    fails: list[Fail]


class LeftOut(Row):
    """Speakers of a kind that were not looked at."""

    kind: str
    speakers: int


class Counts(Row):
    """How many speakers, in each setting that was asked about."""

    rows: Annotated[int, Told("those that fit and those that may")]
    fit: int
    may: int
    near_misses: int
    too_far: int
    not_judged: int


@dataclass(eq=False, repr=False)
class Shortlisted(Answer):
    """Those that fit or may, the best first; near misses; those too far off; those that could not be judged.
    Cautions are part of the answer."""

    assumptions: Annotated[dict[str, Any], Shape(Assumptions)]
    rows: Annotated[pl.DataFrame, Fitting]
    near_misses: Annotated[pl.DataFrame, NearMiss]
    too_far: Annotated[pl.DataFrame, TooFar]
    not_judged: Annotated[pl.DataFrame, Withheld]
    counts: Annotated[dict[str, int], Shape(Counts), Told("how many there are of each, whatever `top` has left out")]
    left_out: Annotated[
        list[dict[str, Any]], Shape(list[LeftOut]), Told("kinds that are no pair; asked for by kind they are judged")
    ]
    cautions: list[str]
    found: RoomAnswer = dataclasses.field(metadata=INNER)


def _m(help_: str, label: str, most: float, above: float = 0.0) -> Ask:
    return Ask(help_, label, "m", above=above, most=most)


@dataclass(frozen=True, repr=False)
class Shortlist(Whom, Question[Shortlisted]):
    """Find speakers that fit a room, distance, level, budget and space."""

    name = "shortlist"
    address = "/shortlist"
    example = {"distance": 3.0, "level": 100.0, "volume": 60.0, "budget": 2000.0}

    distance: Annotated[float, _m("From the speakers to the seat, metres.", "Distance to the seat", 100, 0.2)]
    level: Annotated[float, Ask("Peak level wanted at the seat, dB.", "Peaks of", "dB", above=30, most=140)]
    volume: Annotated[float | None, Ask("Volume of the room, m³.", "Volume of the room", "m³", above=0, most=1e5)] = (
        None
    )
    dimensions: Annotated[
        str | None, Ask("Or length, width and height of the room in metres: 5.2x4.1x2.5.", "Or its sides", "m")
    ] = None
    reverberation: Annotated[
        float | None, Ask("Reverberation time, seconds. Default: 0.4, assumed.", "Reverberation", "s", above=0, most=20)
    ] = None
    programme: Annotated[Programme, Ask("What is played: dynamic (average 15 dB below the peaks) or dense (4 dB).")] = (
        "dynamic"
    )
    single: Annotated[bool, Ask("One speaker instead of a pair.")] = False
    amplifier: Annotated[
        float | None,
        Ask("Power of your amplifier into 8 Ω, watts: limits passive speakers.", "Amplifier", "W", above=0, most=1e5),
    ] = None
    budget: Annotated[
        float | None, Ask("Highest price of the pair, or of one that stands alone.", above=0, most=1e9)
    ] = None
    wall: Annotated[
        float | None, _m("From the speakers' fronts to the wall behind them, metres.", "Wall behind", 20)
    ] = None
    bass: Annotated[
        float | None,
        Ask(
            "Deepest bass wanted, Hz: reached at −6 dB, and the level held from there. Default: 50 Hz for the level.",
            "Bass to",
            "Hz",
            least=20,
            most=200,
        ),
    ] = None
    subwoofer: Annotated[
        float | None,
        Ask("Crossover to a subwoofer, Hz: it then handles the bass.", "Subwoofer up to", "Hz", above=20, most=300),
    ] = None
    standing: Annotated[bool, Ask("The tone must hold when you stand up at the seat.")] = False
    spectrum: Annotated[Spectrum, Ask("What the music asks of each band: programme or pink.")] = "programme"
    spectrum_file: Annotated[Path | None, Ask("Or a spectrum of your own: CSV frequency_hz,level_db.", local=True)] = (
        None
    )
    crest: Annotated[
        float,
        Ask(
            "Peaks of the waveform above the loudest moments, dB: an amplifier has to follow.",
            "Crest",
            "dB",
            least=3,
            most=30,
        ),
    ] = 9.0
    top: Top = None

    def check(self) -> None:
        if (self.volume is None) == (self.dimensions is None):
            raise AskError("volume", "give the room either by its volume or by its dimensions")
        self._sides()

    def room(self) -> RoomQuestion:
        """The question as the room's acoustics take it. Raises RequestError where it contradicts itself."""
        from speakerdb.analysis.question import Question as RoomQuestion
        from speakerdb.field.spectra import read_spectrum

        own = None if self.spectrum_file is None else read_spectrum(Path(self.spectrum_file))
        return RoomQuestion(
            self.distance,
            self.level,
            self.volume,
            self._sides(),
            self.reverberation,
            self.programme,
            self.single,
            self.amplifier,
            self.budget,
            wall_distance_m=self.wall,
            bass_hz=self.bass,
            subwoofer_hz=self.subwoofer,
            standing=self.standing,
            spectrum=self.spectrum,
            spectrum_db=own,
            crest_db=self.crest,
        )

    def _sides(self) -> tuple[float, float, float] | None:
        if self.dimensions is None:
            return None
        return sides_of("dimensions", self.dimensions)

    def answer(self, base: Base) -> Shortlisted:
        from speakerdb.answering import shortlisting

        found = shortlisting.shortlist(base.field, self.room(), self.selection(), self.top)
        return Shortlisted(
            found.assumptions(), *shortlisting.tables(found, self.top), found.left_out, found.cautions, found
        )
