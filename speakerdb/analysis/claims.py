"""A maker's claimed maximum level beside what was measured: one or two speakers, at which distance, what is left
over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.analysis.judging import FloatArray, Interval

PAIR_DB = 10.0 * np.log10(2.0)  # two uncorrelated sources
IN_PHASE_MORE_DB = 10.0 * np.log10(2.0)  # two sources in phase instead: 6.02 dB in all
SINE_PEAK_DB = 20.0 * np.log10(np.sqrt(2.0))  # the peak of a sine over its RMS value
HALF_SPACE_DB = 20.0 * np.log10(2.0)  # a hard floor or wall right at the speaker
CUSTOMARY_DISTANCE_M = 1.0  # what a claim without a distance is taken to mean (common practice, no source)


@dataclass(frozen=True, eq=False)
class Claims:
    """One entry per speaker; claimed_db NaN where the maker claims nothing.

    pair (n,) bool; distance_m (n,); distance_assumed (n,) bool: none was stated, 1 m is taken. single_db (n,): the
    claim referred to one speaker at 1 m in free field. unexplained: single_db minus the measured level (> 0: the claim
    is higher), by the maximum level; beyond_music: by what it reaches with music. amplifier_w: power into 8 Ω
    that a passive speaker of that sensitivity would need for it, before any compression.
    """

    claimed_db: FloatArray
    pair: NDArray[np.bool_]
    distance_m: FloatArray
    distance_assumed: NDArray[np.bool_]
    single_db: FloatArray
    unexplained: Interval
    beyond_music: Interval
    amplifier_w: FloatArray


def claims(
    claimed_db: FloatArray,
    pair: NDArray[np.bool_],
    distance_m: FloatArray,
    maximum: Interval,
    music: Interval,
    sensitivity_db: FloatArray,
) -> Claims:
    """Set claims (n,) against measured levels at 1 m. distance_m NaN where not stated, sensitivity_db NaN where
    unknown.

    single = claimed − 3.01 dB for a pair + 20·log10(distance): uncorrelated sources, free field.
    """
    assumed = np.isnan(distance_m)
    distance = np.where(assumed, CUSTOMARY_DISTANCE_M, distance_m)
    single = claimed_db - np.where(pair, PAIR_DB, 0.0) + 20.0 * np.log10(distance)
    return Claims(
        claimed_db,
        pair,
        distance,
        assumed,
        single,
        _left_over(single, maximum),
        _left_over(single, music),
        10.0 ** ((single - sensitivity_db) / 10.0),
    )


def _left_over(single_db: FloatArray, measured: Interval) -> Interval:
    return Interval(single_db - measured.high, single_db - measured.low, measured.reason)


VERDICTS = ("met", "about_met", "not_met", "not_judged")


def verdicts(unexplained: Interval, matters_db: float) -> list[str]:
    """'met': nothing is left over; 'about_met': no more than matters; 'not_met': surely more; else 'not_judged'."""
    met = unexplained.high <= 0.0
    about = unexplained.high <= matters_db
    over = unexplained.low > matters_db
    return np.select([met, about, over], VERDICTS[:3], VERDICTS[3]).tolist()  # type: ignore[no-any-return]


def may_explain(pair: bool) -> list[dict[str, Any]]:
    """What a maker may have counted without saying so, with its size in dB (common practice, no source)."""
    found = [
        ("the peak of a sine instead of its RMS value", SINE_PEAK_DB),
        ("a hard floor or wall right at the speaker", HALF_SPACE_DB),
    ]
    if pair:
        found.insert(1, ("both speakers in phase, as in mono bass", IN_PHASE_MORE_DB))
    return [{"what": what, "db": db} for what, db in found]
