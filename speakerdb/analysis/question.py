"""The buyer's question: a room, a seat, a level, a purse and a shelf; and whether it makes sense."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from speakerdb import figures
from speakerdb.acoustics.programme import CREST_DB
from speakerdb.errors import RequestError
from speakerdb.terms import Programme, Spectrum

ASSUMED_REVERBERATION_S = 0.4  # a furnished living room (common practice, no source; method:metrics#level-at-a-seat)
LONGEST_IN_ROOM = 2.5  # times the cube root of the volume: more is taken for a slip (own judgement)
STANDING_RISE_M = 0.5  # how far the ear rises when one stands up (own judgement)


@dataclass(frozen=True)
class Question:
    """What is asked. Lengths in m, sizes of the speaker in mm; None asks nothing or is unknown.

    level_db: the peak wanted at the seat (maximum short-term RMS). Of volume_m3 and dimensions_m one is given. budget:
    for a pair, or for one where the speaker stands alone. wall_distance_m: from the speaker's front to the wall behind
    it. bass_hz: bass wanted down to there; subwoofer_hz: crossover to a subwoofer, which then handles the bass.
    spectrum: of the music, or spectrum_db, its levels in the 31 third-octave bands; crest_db: peaks of the waveform
    above the loudest short-term r.m.s., which an amplifier has to follow. Raises RequestError for a seat outside the
    room.
    """

    distance_m: float
    level_db: float
    volume_m3: float | None = None
    dimensions_m: tuple[float, float, float] | None = None
    reverberation_s: float | None = None
    programme: Programme = "dynamic"
    single: bool = False
    amplifier_w: float | None = None
    budget: float | None = None
    height_max_mm: float | None = None
    width_max_mm: float | None = None
    depth_max_mm: float | None = None
    mass_max_kg: float | None = None
    wall_distance_m: float | None = None
    bass_hz: float | None = None
    subwoofer_hz: float | None = None
    standing: bool = False
    spectrum: Spectrum = "programme"
    spectrum_db: tuple[float, ...] | None = None
    crest_db: float = CREST_DB

    def __post_init__(self) -> None:
        if self.distance_m > self.longest_m:
            raise RequestError(self._too_long())

    @property
    def room_volume_m3(self) -> float:
        return math.prod(self.dimensions_m) if self.dimensions_m else float(self.volume_m3 or 0.0)

    @property
    def longest_m(self) -> float:
        """The longest distance in the room: the diagonal, or where only the volume is known 2.5 times its cube root."""
        if self.dimensions_m:
            return math.hypot(*self.dimensions_m)
        return LONGEST_IN_ROOM * float(np.cbrt(self.room_volume_m3))

    @property
    def pair(self) -> bool:
        return not self.single

    @property
    def tone_up_deg(self) -> float | None:
        """The angle above the axis at which one's ears are when standing at the seat."""
        return math.degrees(math.atan2(STANDING_RISE_M, self.distance_m)) if self.standing else None

    def _too_long(self) -> str:
        if self.dimensions_m:
            length, width, height = self.dimensions_m
            return (
                f"the seat is {figures.plain(self.distance_m)} m away, but the longest line in a room of "
                f"{figures.plain(length)} × {figures.plain(width)} × {figures.plain(height)} m is "
                f"{figures.number(self.longest_m, 1)} m"
            )
        return (
            f"the seat is {figures.plain(self.distance_m)} m away, farther than a room of "
            f"{figures.plain(self.room_volume_m3)} m³ is likely to be long "
            f"({figures.number(self.longest_m, 1)} m); if yours is, give its dimensions instead of its volume"
        )
