"""Distances between curves: aligned in level, in dB, over what both sides have."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.analysis.match import CURVES, distances, part_distance

NAMES = [n for part in CURVES.values() for n in part]


def curves(value=0.0):
    return {n: np.full(199, value + (100.0 if "beamwidth" in n else 0.0)) for n in NAMES}


def stack(*speakers):
    return {n: np.stack([s[n] for s in speakers]) for n in NAMES}


def test_a_level_offset_is_no_difference_in_response():
    for part in ("listening_window", "in_room"):
        np.testing.assert_allclose(part_distance(part, np.zeros(199), np.full((1, 199), 7.0)), 0.0, atol=1e-12)


def test_a_constant_directivity_offset_counts_in_full():
    np.testing.assert_allclose(part_distance("directivity_index", np.zeros(199), np.full((2, 199), 3.0)), 3.0)


def test_twice_the_beamwidth_is_six_decibels():
    found = part_distance("beamwidth", np.full(199, 60.0), np.full((1, 199), 120.0))
    np.testing.assert_allclose(found, 20 * np.log10(2))


def test_output_is_compared_over_common_bands_only_and_not_over_less_than_an_octave():
    own, other = np.full(199, np.nan), np.full((2, 199), 100.0)
    own[50:100] = 97.0
    other[1, :85] = np.nan
    found = part_distance("output", own, other)
    assert found[0] == pytest.approx(3.0)
    assert np.isnan(found[1])


def test_the_total_is_the_weighted_root_mean_square_of_the_parts():
    own, other = curves(), curves()
    other["di_power"] = other["di_power"] + 2.0
    other["usable_output"] = other["usable_output"] + 4.0
    total, parts = distances(own, stack(other))
    assert parts["directivity_index"][0] == pytest.approx(2.0)
    assert parts["output"][0] == pytest.approx(4.0)
    assert total[0] == pytest.approx(np.sqrt((1 * 2.0**2 + 1 * 4.0**2) / (2 + 2 + 1 + 1 + 1)))


def test_a_part_that_one_side_lacks_is_left_out_and_not_counted_as_equal():
    own, other = curves(), curves()
    other["di_power"] = other["di_power"] + 2.0
    other["usable_output"] = np.full(199, np.nan)
    total, parts = distances(own, stack(other))
    assert np.isnan(parts["output"][0])
    assert total[0] == pytest.approx(np.sqrt(4.0 / 6.0))


def test_without_any_response_there_is_no_distance():
    own, other = curves(), curves()
    other["listening_window"] = other["in_room"] = np.full(199, np.nan)
    assert np.isnan(distances(own, stack(other))[0][0])


def test_a_speaker_is_at_distance_zero_from_itself_and_distance_is_mutual():
    rng = np.random.default_rng(4)
    a = {n: rng.uniform(50, 100, 199) for n in NAMES}
    b = {n: rng.uniform(50, 100, 199) for n in NAMES}
    assert distances(a, stack(a))[0][0] == 0.0
    np.testing.assert_allclose(distances(a, stack(b))[0], distances(b, stack(a))[0])
