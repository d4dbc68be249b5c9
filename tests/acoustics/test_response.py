"""Metrics of a response curve: what each sees, and what it does not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speakerdb.acoustics import grid, response

F, X = grid.FREQUENCY_HZ, grid.LOG2_HZ
START = response.START


def index(hz):
    return int(np.argmin(np.abs(X - np.log2(hz))))


def high_pass(f0=50.0, order=4):
    return -10 * np.log10(1 + (f0 / F) ** order)


# --- bands


def test_flatness_and_half_range_of_a_square_wave():
    curve = np.where(np.arange(199) % 2, 1.5, -1.5)[None]
    assert response.half_range(curve)[0] == pytest.approx(1.5)
    assert response.deviation(curve)[0] == pytest.approx(1.5, abs=1e-3)


@pytest.mark.parametrize("metric", [response.deviation, response.half_range, response.narrow_band_deviation])
def test_shape_metrics_see_100_hz_to_10_khz_only_and_no_level(metric):
    curve = np.random.default_rng(1).normal(0, 1, (1, 199))
    outside = curve.copy()
    outside[:, F < 99] += 30.0
    outside[:, F > 12100] += 30.0
    np.testing.assert_allclose(metric(outside + 7.0), metric(curve), rtol=1e-12)


def test_a_band_with_a_hole_has_no_value():
    curve = np.zeros((1, 199))
    curve[0, index(1000)] = np.nan
    for metric in (response.deviation, response.half_range, response.narrow_band_deviation):
        assert np.isnan(metric(curve)[0])
    fit = response.line(curve, response.IN_ROOM)
    assert np.isnan([fit.r_squared[0], fit.slope_per_octave[0], fit.ripple[0]]).all()


def test_a_slope_within_a_band_of_ten_points_counts_by_its_mean_deviation():
    # a ramp of s dB per point: mean |k − 4.5| over k = 0…9 is 2.5 s; the last band of nine points: mean |k − 4| = 20/9
    # s
    curve = 0.1 * np.arange(199.0)[None]
    assert response.narrow_band_deviation(curve)[0] == pytest.approx(0.1 * (13 * 2.5 + 20 / 9) / 14)


# --- bass limit


def naive_limit(curve, threshold):
    """Walk down from 300 Hz as method:metrics#lf-extension says: (hz, at most)."""
    if np.isnan(curve[START]) or np.isnan(threshold):
        return np.nan, False
    start = next((i for i in range(START, 199) if not np.isnan(curve[i]) and curve[i] >= threshold), None)
    if start is None:
        return np.nan, False
    end = START
    while end > 0 and not np.isnan(curve[end - 1]):
        end -= 1
    i = start - 1
    while i >= end:
        if curve[i] < threshold:
            low = i
            while low - 1 >= end and curve[low - 1] < threshold:
                low -= 1
            if low == end or i - low + 1 >= 7:
                share = (threshold - curve[i]) / (curve[i + 1] - curve[i])
                return 2.0 ** (X[i] + share / 20), False
            i = low - 1
        else:
            i -= 1
    return F[end], True


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**31), wobble=st.floats(0.0, 4.0), f0=st.floats(15.0, 400.0), cut=st.integers(0, 60))
def test_bass_limits_follow_the_walk_down_point_by_point(seed, wobble, f0, cut):
    rng = np.random.default_rng(seed)
    curves = high_pass(f0) + rng.normal(0, wobble, (4, 199))
    curves[0, :cut] = np.nan
    curves[1, rng.integers(0, 60)] = np.nan
    thresholds = np.array([-3.0, -6.0, -10.0, rng.uniform(-12, 3)])
    found = response.bass_limit(curves, thresholds)
    for i, (curve, threshold) in enumerate(zip(curves, thresholds, strict=True)):
        hz, at_most = naive_limit(curve, threshold)
        np.testing.assert_allclose(found.hz[i], hz, rtol=1e-9)
        assert bool(found.at_most[i]) == at_most


def limit(curve, threshold=-6.0):
    found = response.bass_limit(np.asarray(curve)[None], np.array([threshold]))
    return float(found.hz[0]), bool(found.at_most[0])


@pytest.mark.parametrize(("points", "counts"), [(1, False), (6, False), (7, True), (12, True)])
def test_a_dip_is_no_bass_limit_unless_it_is_seven_points_wide(points, counts):
    curve = high_pass(30.0)
    dip = index(120)
    curve[dip - points + 1 : dip + 1] = -20.0
    hz, _ = limit(curve)
    assert (hz > 100.0) == counts
    if not counts:
        assert hz == pytest.approx(0.761 * 30.0, rel=0.01)


def test_a_short_run_at_the_end_of_the_measurement_counts():
    curve = np.zeros(199)
    end = index(60)
    curve[: end + 3] = -20.0
    curve[:end] = np.nan
    hz, at_most = limit(curve)
    assert not at_most
    assert F[end + 2] < hz < F[end + 3]


def test_a_response_that_does_not_fall_so_far_is_bounded_by_the_lowest_frequency_measured():
    curve = np.zeros(199)
    curve[: index(60)] = np.nan
    assert limit(curve) == (pytest.approx(F[index(60)]), True)


def test_what_lies_below_a_gap_does_not_count():
    curve = high_pass(50.0)
    curve[index(70)] = np.nan
    assert limit(curve) == (pytest.approx(F[index(70) + 1]), True)


def test_a_start_in_a_hole_moves_up_to_the_first_point_that_is_loud_enough():
    curve = high_pass(50.0)
    curve[START - 2 : START + 4] = -20.0  # six points
    assert limit(curve)[0] == pytest.approx(0.761 * 50.0, rel=0.01)
    curve[START - 20 : START + 4] = -20.0
    assert F[START + 3] < limit(curve)[0] < F[START + 4]


def test_nothing_loud_enough_has_no_bass_limit():
    assert np.isnan(limit(np.full(199, -20.0))[0])


# --- roll-off


@pytest.mark.parametrize("order_db", [6.0, 12.0, 24.0])
def test_roll_off_of_a_straight_line_is_its_slope(order_db):
    upper, lower = 80.0, 80.0 / 2.0 ** (12.0 / order_db)
    assert float(response.rolloff(np.array(upper), np.array(lower), 12.0)) == pytest.approx(order_db)


# --- optimum listening axis


def sides(deviation, treble=(0.0, 0.0, 0.0, 0.0)):
    """Curves at 0, 10, 20, 30° whose narrow-band deviation is as given: a half-octave sinusoid of that many
    dB/0.6155."""
    wave = np.sin(2 * np.pi * np.arange(-46, 153) / 10)
    curves = np.outer(np.asarray(deviation) / 0.6155, wave)
    curves[:, F >= 3900.0] += np.asarray(treble)[:, None]
    return curves[None]


@pytest.mark.parametrize(
    ("deviation", "angle"),
    [
        ([0.5, 0.4, 0.3, 0.2], 30.0),
        ([0.5, 0.2, 0.3, 0.4], 10.0),
        ([0.3, 0.3, 0.3, 0.3], 0.0),
        ([0.31, 0.3, 0.3, 0.3], 0.0),  # within 0.02 dB of the lowest: the smallest angle
        ([0.5, 0.31, 0.3, 0.35], 10.0),
    ],
)
def test_the_best_angle_is_the_smallest_that_is_as_smooth_as_any(deviation, angle):
    curves = sides(deviation)
    found, gain, _ = response.best_listening_angle(*response.axis_deviations(curves, curves))
    assert found[0] == angle
    assert gain[0] >= 0.0


def test_both_sides_count_alike_and_treble_goes_with_the_angle():
    left, right = sides([0.5, 0.4, 0.3, 0.2], [0, -1, -2, -3]), sides([0.5, 0.1, 0.6, 0.9], [0, -1, -2, -3])
    found, gain, treble = response.best_listening_angle(*response.axis_deviations(left, right))
    assert found[0] == 10.0
    deviations = [
        (response.narrow_band_deviation(left[0, k]) + response.narrow_band_deviation(right[0, k])) / 2 for k in (0, 1)
    ]
    assert gain[0] == pytest.approx(deviations[0] - deviations[1])
    assert treble[0] == pytest.approx(-1.0, abs=0.05)


def test_an_angle_that_was_not_measured_leaves_the_best_one_unknown():
    curves = sides([0.5, 0.4, 0.3, 0.2])
    curves[0, 2] = np.nan
    found, gain, _ = response.best_listening_angle(*response.axis_deviations(curves, curves))
    assert np.isnan(found[0])
    assert np.isnan(gain[0])
