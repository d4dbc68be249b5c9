"""A claimed level, referred to one speaker at 1 m, beside what was measured."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.analysis.claims import claims, may_explain, verdicts
from speakerdb.analysis.judging import interval


def claim(claimed, pair, distance, measured, censored="none", sensitivity=np.nan):
    figure = interval(np.array([measured], float), [censored])
    return claims(
        np.array([claimed]), np.array([pair]), np.array([distance], float), figure, figure, np.array([sensitivity])
    )


@pytest.mark.parametrize(
    ("claimed", "pair", "distance", "single"),
    [
        (112.0, False, 1.0, 112.0),
        (112.0, True, 1.0, 112.0 - 3.0103),  # two uncorrelated sources
        (112.0, False, 2.0, 112.0 + 6.0206),  # the same at 2 m is 6 dB more at 1 m
        (112.0, False, 0.5, 112.0 - 6.0206),
    ],
)
def test_a_claim_is_referred_to_one_speaker_at_one_metre(claimed, pair, distance, single):
    found = claim(claimed, pair, distance, 105.0)
    assert found.single_db[0] == pytest.approx(single, abs=1e-3)
    assert found.unexplained.low[0] == pytest.approx(single - 105.0, abs=1e-3)
    assert found.unexplained.high[0] == found.unexplained.low[0]


def test_a_claim_without_a_distance_is_taken_at_one_metre_and_marked_as_assumed():
    found = claim(110.0, False, np.nan, 105.0)
    assert (found.distance_m[0], bool(found.distance_assumed[0])) == (1.0, True)


@pytest.mark.parametrize(
    ("measured", "censored", "verdict"),
    [
        (110.0, "none", "met"),
        (112.0, "none", "met"),
        (109.5, "none", "about_met"),
        (105.0, "none", "not_met"),
        (111.0, "at_least", "met"),
        (105.0, "at_least", "not_judged"),
        (105.0, "at_most", "not_met"),
        (112.0, "at_most", "not_judged"),
        (np.nan, "none", "not_judged"),
    ],
)
def test_a_verdict_is_only_given_where_the_measurement_carries_it(measured, censored, verdict):
    found = claim(110.0, False, 1.0, measured, censored)
    assert verdicts(found.unexplained, 1.0) == [verdict]


def test_the_amplifier_a_claim_asks_for_follows_from_the_sensitivity():
    # 20 dB above the level of 1 W is 100 W
    assert claim(106.0, False, 1.0, 100.0, sensitivity=86.0).amplifier_w[0] == pytest.approx(100.0)
    assert np.isnan(claim(106.0, False, 1.0, 100.0).amplifier_w[0])


def test_only_a_claim_for_a_pair_can_be_explained_by_two_speakers_in_phase():
    single, pair = ({e["what"]: e["db"] for e in may_explain(p)} for p in (False, True))
    assert set(pair) - set(single) == {"both speakers in phase, as in mono bass"}
    assert pair["the peak of a sine instead of its RMS value"] == pytest.approx(3.01, abs=0.005)
    assert pair["a hard floor or wall right at the speaker"] == pytest.approx(6.02, abs=0.005)
