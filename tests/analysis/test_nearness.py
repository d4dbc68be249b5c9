"""Distances between curves: aligned in level, in dB, over what both sides have; and which of them errors alone would
not show."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import grid
from speakerdb.analysis.nearness import CURVES, NAMES, WEIGHTS, distances, measures_differently

FREQUENCY_HZ = grid.FREQUENCY_HZ


def curves(**changed):
    flat = {n: np.full(199, 100.0 if "beamwidth" in n else 0.0) for n in NAMES}
    return flat | {n: flat[n] + change for n, change in changed.items()}


def stack(*speakers):
    return {n: np.stack([s[n] for s in speakers]) for n in NAMES}


def apart(other, own=None):
    return distances(own or curves(), stack(other))


def high_pass(corner_hz):
    """A Butterworth high-pass of fourth order in dB: −6 dB at 0.874 of the corner."""
    return -10.0 * np.log10(1.0 + (corner_hz / FREQUENCY_HZ) ** 8)


def test_a_level_offset_is_no_difference_in_response():
    found = apart(curves(listening_window=7.0, in_room=-3.0)).parts
    for part in ("bass", "listening_window", "in_room"):
        assert found[part][0] == pytest.approx(0.0, abs=1e-12)


def test_bass_is_what_lies_between_25_and_100_hz_and_the_window_the_rest():
    deep = np.where(FREQUENCY_HZ < 24.9, 40.0, np.where(FREQUENCY_HZ < 99.0, 4.0, 0.0))
    found = apart(curves(listening_window=deep))
    assert found.parts["bass"][0] == pytest.approx(4.0 * np.sqrt(40 / 41))  # the point at 100 Hz belongs to both
    assert found.parts["listening_window"][0] == 0.0
    assert found.bass_from_hz[0] == pytest.approx(25.0)


def test_two_that_differ_only_in_where_their_bass_ends_are_far_apart():
    found = apart(curves(listening_window=high_pass(46.0 / 0.874)), curves(listening_window=high_pass(30.0 / 0.874)))
    assert found.parts["bass"][0] > 5.0
    assert found.parts["listening_window"][0] < 0.05


def test_bass_is_compared_from_the_lowest_frequency_that_both_have():
    own, other = curves(), curves(listening_window=2.0 * (FREQUENCY_HZ < 99.0))
    own["listening_window"][FREQUENCY_HZ < 34.0] = np.nan
    other["listening_window"][FREQUENCY_HZ < 39.9] = np.nan
    found = apart(other, own)
    assert found.bass_from_hz[0] == pytest.approx(100.0 * 2.0 ** (-26 / 20))  # 40.6 Hz, the first grid point above
    assert found.parts["bass"][0] == pytest.approx(2.0 * np.sqrt(26 / 27))


def test_less_than_an_octave_of_bass_is_not_compared_and_says_nothing_of_the_rest():
    other = curves(di_power=2.0)
    other["listening_window"][FREQUENCY_HZ < 60.0] = np.nan
    found = apart(other)
    assert np.isnan(found.parts["bass"][0])
    assert np.isnan(found.bass_from_hz[0])
    assert found.total_db[0] == pytest.approx(np.sqrt(2.0**2 / (2 + 2 + 1 + 1 + 1)))  # without the bass's 2


def test_a_constant_directivity_offset_counts_in_full():
    assert apart(curves(di_power=3.0)).parts["directivity_index"][0] == pytest.approx(3.0)


def test_twice_the_beamwidth_is_six_decibels():
    found = apart(curves(beamwidth_horizontal=100.0, beamwidth_vertical=100.0))
    assert found.parts["beamwidth"][0] == pytest.approx(20 * np.log10(2))


def test_output_is_compared_over_common_bands_only_and_not_over_less_than_an_octave():
    own, near, short = curves(), curves(usable_output=3.0), curves()
    own["usable_output"][:50] = own["usable_output"][100:] = np.nan
    short["usable_output"][:85] = np.nan
    found = distances(own, stack(near, short)).parts["output"]
    assert found[0] == pytest.approx(3.0)
    assert np.isnan(found[1])


def test_the_total_is_the_weighted_root_mean_square_of_the_parts():
    found = apart(curves(di_power=2.0, usable_output=4.0))
    assert found.total_db[0] == pytest.approx(np.sqrt((1 * 2.0**2 + 1 * 4.0**2) / (2 + 2 + 2 + 1 + 1 + 1)))
    heavy = distances(curves(), stack(curves(di_power=2.0)), WEIGHTS | {"directivity_index": 4.0})
    assert heavy.total_db[0] == pytest.approx(np.sqrt(4 * 2.0**2 / (2 + 2 + 2 + 4 + 1 + 1)))


def test_a_part_that_one_side_lacks_is_left_out_and_not_counted_as_equal():
    other = curves(di_power=2.0)
    other["usable_output"][:] = np.nan
    found = apart(other)
    assert np.isnan(found.parts["output"][0])
    assert found.total_db[0] == pytest.approx(np.sqrt(4.0 / 8.0))


def test_without_any_response_there_is_no_distance():
    other = curves()
    other["listening_window"][:] = other["in_room"][:] = np.nan
    assert np.isnan(apart(other).total_db[0])


def test_a_speaker_is_at_distance_zero_from_itself_and_distance_is_mutual():
    rng = np.random.default_rng(4)
    a = {n: rng.uniform(50, 100, 199) for n in NAMES}
    b = {n: rng.uniform(50, 100, 199) for n in NAMES}
    assert distances(a, stack(a)).total_db[0] == 0.0
    assert distances(a, stack(b)).total_db[0] == pytest.approx(distances(b, stack(a)).total_db[0])
    assert set(distances(a, stack(b)).parts) == set(CURVES) == set(WEIGHTS)


def noise(output_db: float):
    """1,000 draws of equal speakers: 0.1 dB of white noise in the responses, more in usable output."""
    rng = np.random.default_rng(6)
    drawn = {n: rng.normal(0.0, 0.1, (1000, 199)) + (100.0 if "beamwidth" in n else 0.0) for n in NAMES}
    drawn["usable_output"] = rng.normal(0.0, output_db, (1000, 1)) * np.ones(199)
    return drawn


def test_equal_speakers_measure_differently_in_five_of_a_hundred_cases():
    drawn = noise(1.0)
    limit = distances(curves(), {n: rows[:500] for n, rows in drawn.items()})
    each = [
        measures_differently(distances(curves(), {n: rows[i : i + 1] for n, rows in drawn.items()}), limit)
        for i in range(500, 1000)
    ]
    assert 0.025 <= np.mean(each) <= 0.08  # 5 %: three standard deviations of 500 draws against a limit from 500


def test_an_output_known_poorly_hides_no_difference_of_response():
    limit = distances(curves(), noise(3.0))
    tilt = 0.1 * np.log2(FREQUENCY_HZ / 1000.0)
    found = apart(curves(listening_window=tilt, in_room=tilt))
    assert found.total_db[0] < np.quantile(limit.total_db, 0.95)
    assert measures_differently(found, limit)


def subwoofers(*on_axis):
    return {"on_axis": np.stack(on_axis)}


def test_subwoofers_are_compared_by_their_bass_alone_set_equal_over_40_to_80_hz():
    own = np.where(FREQUENCY_HZ < 200.0, 90.0, np.nan)  # measured to 200 Hz
    deeper = own + 7.0 + np.where(FREQUENCY_HZ < 39.9, 3.0, 0.0)
    short = np.where(FREQUENCY_HZ < 60.0, np.nan, own)  # less than an octave of bass
    found = distances({"on_axis": own}, subwoofers(deeper, short))
    assert found.parts["bass"][0] == pytest.approx(3.0 * np.sqrt(14 / 41))  # 25.0 to 39.2 Hz: 14 of 41 points
    assert found.total_db[0] == found.parts["bass"][0]
    assert np.isnan(found.total_db[1])
    assert all(np.isnan(found.parts[p]).all() for p in CURVES if p != "bass")
    assert np.isnan(distances({"on_axis": own}, subwoofers(deeper), WEIGHTS | {"bass": 0.0}).total_db[0])


def test_a_part_without_weight_is_not_judged_by():
    weights = WEIGHTS | {"bass": 0.0}
    other = curves(listening_window=high_pass(46.0 / 0.874) - high_pass(30.0 / 0.874))
    limits = [distances(curves(), noise(1.0), w) for w in (WEIGHTS, weights)]
    assert measures_differently(distances(curves(), stack(other)), limits[0])
    assert not measures_differently(distances(curves(), stack(other), weights), limits[1], weights)
