"""What music asks of a loudspeaker, and how loud that lets it play (method:metrics#programme-spl).

Music asks much of the bass and little of the treble: its spectrum says how far each third-octave band lies below the
whole. The bands share one speaker. Displacement, heat and voltage of different bands add as powers, so each takes a
share of what the speaker can do alone in that band, and the shares of the loudest music add up to one (derived). Levels
in dB; the last axis of arrays is the band.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

THIRDS = np.arange(-17, 14)
BANDS_HZ: Array = 1000.0 * 2.0 ** (THIRDS / 3.0)  # centres 20 Hz–20 kHz, base two as the grid's octaves
NOMINAL_HZ = (
    *(20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0),
    *(800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0),
    *(12500.0, 16000.0, 20000.0),
)  # what the bands are called (IEC 61260-1 and ISO 266, from memory)
# the grid points nearest to the centres; the highest band ends beyond the grid
POINTS: NDArray[np.int64] = np.array([np.argmin(np.abs(grid.LOG2_HZ - np.log2(f))) for f in BANDS_HZ])
BASS_FALLS_HZ, TREBLE_FALLS_HZ = 40.0, 4500.0  # where music begins to fall (own judgement)
FROM_HZ, TO_HZ = 50.0, 10000.0  # the bands that count where nothing else is asked
CROSSOVER_HZ = 80.0  # to a subwoofer, where nothing else is asked (common practice)
BELOW_CROSSOVER = 2  # bands below the crossover that still count: lower ones ask nothing of the main speaker
NO_BAND_BELOW = 0.15  # of the whole: below such a share no single band is said to limit it (own judgement)
CREST_DB = 9.0  # peaks of the waveform above the loudest short-term r.m.s. of dynamic music (own judgement)
SAME_DB = 0.05  # ends of what is known no further apart are one value: half of what is shown
SINE_CREST_DB = 10.0 * np.log10(2.0)  # an amplifier's rated power is that of a sine

DISTORTION, COMPRESSION, AMPLIFIER, SWEEP_ENDED = range(4)
CAUSES = ("distortion", "compression", "amplifier", "end of the sweep")


def music_db() -> Array:
    """(31,) levels of the bands of music re the whole: falling below 40 Hz and above 4.5 kHz (own judgement, near the
    simulated programme of IEC 60268-1 as remembered)."""
    falls = 20.0 * np.log10(1.0 + (BASS_FALLS_HZ / BANDS_HZ) ** 2) + 10.0 * np.log10(
        1.0 + (BANDS_HZ / TREBLE_FALLS_HZ) ** 2
    )
    return normalised(-falls)


def pink_db() -> Array:
    """(31,) the same level in every band."""
    return normalised(np.zeros(len(BANDS_HZ)))


def normalised(level_db: Floats) -> Array:
    """(31,) levels moved so that together they make 0 dB."""
    level = np.asarray(level_db, np.float64)
    return np.asarray(level - 10.0 * np.log10(np.sum(10.0 ** (level / 10.0))))


SPECTRA = {"programme": music_db(), "pink": pink_db()}


def band_of(frequency_hz: float) -> int:
    """The band nearest to a frequency."""
    return int(np.argmin(np.abs(np.log2(BANDS_HZ / frequency_hz))))


def asked_db(spectrum_db: Floats, from_hz: float = FROM_HZ, crossover_hz: float | None = None) -> Array:
    """(31,) levels of the bands that count re the whole of the music, −∞ in the others: from the band at from_hz to
    10 kHz; with a subwoofer what a fourth-order high-pass (Linkwitz–Riley) leaves, from the second band below the
    crossover."""
    asked = np.asarray(spectrum_db, np.float64)
    first = band_of(from_hz)
    if crossover_hz is not None:
        asked = asked - 20.0 * np.log10(1.0 + (crossover_hz / BANDS_HZ) ** 4)
        first = band_of(crossover_hz) - BELOW_CROSSOVER
    inside = (np.arange(len(BANDS_HZ)) >= first) & (np.arange(len(BANDS_HZ)) <= band_of(TO_HZ))
    return np.where(inside, asked, -np.inf)


def share_db(asked: Floats, output_db: Floats) -> Array:
    """(..., 31) what each band takes of the speaker at 0 dB of music, in dB: asked − output; −∞ where nothing is asked,
    ∞ where nothing can be done."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isneginf(asked), -np.inf, asked - output_db)


def level_db(asked: Floats, output_db: Floats) -> Array:
    """(...) the loudest music: −10·log10 Σ 10^((asked − output)/10). output_db (..., 31) usable output; −∞ in a band
    that is asked for gives −∞, ∞ in all of them ∞. To raise any output never lowers it."""
    with np.errstate(divide="ignore"):
        return np.asarray(-10.0 * np.log10(np.sum(10.0 ** (share_db(asked, output_db) / 10.0), axis=-1)))


@dataclass(frozen=True, eq=False)
class Binding:
    """The band that takes most: its index (...), −1 where no level is known; its share (...) of the whole."""

    band: NDArray[np.int64]
    share: Array

    @property
    def single(self) -> NDArray[np.bool_]:
        """(...) whether one band can be said to limit it."""
        return np.asarray((self.band >= 0) & (self.share >= NO_BAND_BELOW))


def binding(asked: Floats, output_db: Floats) -> Binding:
    """Which band binds. output_db (..., 31); where it is −∞ that band takes all."""
    taken = share_db(asked, output_db)
    most = taken.argmax(axis=-1)
    highest = np.take_along_axis(taken, most[..., None], axis=-1)
    with np.errstate(invalid="ignore"):
        # counted from the highest, so that ∞ − ∞ is told apart from numbers
        whole = np.where(np.isposinf(highest), np.isposinf(taken), 10.0 ** ((taken - highest) / 10.0)).sum(axis=-1)
        share = 1.0 / whole
    known = np.isfinite(highest[..., 0]) | np.isposinf(highest[..., 0])
    return Binding(np.where(known, most, -1), np.where(known, share, np.nan))


def own_driver_db(asked: Floats, output_db: Floats) -> Array:
    """(...) the level at most, if every band had a driver and an amplifier of its own: the lowest output − asked."""
    return np.asarray(-share_db(asked, output_db).max(axis=-1))


def amplifier_db(asked: Floats, window_db: Floats, watts: float, crest_db: float = CREST_DB) -> Array:
    """(...) the loudest music that an amplifier of so many watts into 8 Ω lets through: window_db (..., 31) levels of
    the listening window at 1 m for 2.83 V (1 W into 8 Ω). Of the spectrum as radiated, less what its peaks need
    above those of a sine."""
    more: float = 10.0 * np.log10(watts) - (crest_db - SINE_CREST_DB)
    return np.asarray(level_db(asked, window_db) + more)


def played_db(spectrum_db: Floats, window_db: Floats) -> Array:
    """(..., 31) levels of the bands that music asks of a speaker which plays it as it is: its spectrum, and what the
    listening window (..., 31) lies above the reference level, for which nobody makes up."""
    return np.asarray(spectrum_db + window_db)
