"""Corrected values: they cover the truth where plain percentiles of noisy draws do not (statistics.md §2)."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import grid, response
from speakerdb.acoustics.grid import LOG2_HZ
from speakerdb.dictionary import METRICS
from speakerdb.statistics import fields, intervals

NBD = METRICS["nbd_on_axis_db"]


def coverage(true_curve, runs, seed, sd=0.4, width=1 / 6, draws=200):
    """Shares of runs in which the corrected interval and the plain percentiles of narrow-band deviation hold the truth."""
    rng = np.random.default_rng(seed)
    truth = response.narrow_band_deviation(true_curve[None])[0]
    hits = np.zeros(2)
    for _ in range(runs):
        measured = true_curve + sd * fields.smooth_field(rng, 1, width)[0]
        value = response.narrow_band_deviation(measured[None])[0]
        drawn = response.narrow_band_deviation(measured + sd * fields.smooth_field(rng, draws, width)).astype(float)
        corrected = intervals.corrected_draws(NBD, float(value), drawn)
        for i, x in enumerate((corrected, drawn)):
            low, high = np.percentile(x, [2.5, 97.5])
            hits[i] += low <= truth <= high
    return hits / runs


def test_corrected_intervals_of_ripple_cover_the_truth_and_plain_percentiles_do_not():
    # prototype figures of statistics.md §2: plain percentiles 0–34 %, this rule 96–99.8 %
    curve = 0.5 * np.sin(2 * np.pi * LOG2_HZ)
    corrected, plain = coverage(curve, runs=150, seed=20261125)
    assert corrected >= 0.93
    assert plain <= 0.4


def test_a_quantity_on_which_noise_has_no_bias_is_left_alone():
    rng = np.random.default_rng(3)
    metric = METRICS["treble_balance_db"]
    drawn = rng.normal(1.0, 0.5, 4000)
    np.testing.assert_allclose(intervals.corrected_draws(metric, float(drawn.mean()), drawn), drawn, atol=1e-9)


def test_a_shift_of_the_draws_is_taken_off_twice():
    # draws that lie 0.3 above the plain value: the plain value itself lies 0.3 above the truth
    metric = METRICS["treble_balance_db"]
    drawn = 2.3 + np.linspace(-1, 1, 401)
    assert intervals.corrected_draws(metric, 2.0, drawn).mean() == pytest.approx(1.7)


def test_ripple_is_never_below_zero():
    rng = np.random.default_rng(4)
    assert intervals.corrected_draws(NBD, 0.05, np.abs(rng.normal(0.3, 0.1, 400))).min() >= 0.0


def test_smoothness_is_that_of_the_corrected_slope_and_ripple():
    # a straight line of slope a over n evenly spaced points spreads by a·width·√((n + 1)/(12·(n − 1))) about its mean
    ids = ("slope_in_room_db_per_octave", "ripple_in_room_db", "smoothness_in_room")
    rng = np.random.default_rng(5)
    value = np.array([-1.0, 1.2, 0.7])
    u = intervals.uncertain(ids, value, np.stack([rng.normal(v, 0.05, 400) for v in value]))
    slope, ripple, smooth = u.draws
    points = int(np.ptp(np.flatnonzero((grid.FREQUENCY_HZ > 99.0) & (grid.FREQUENCY_HZ < 16100.0)))) + 1
    width = (points - 1) / grid.POINTS_PER_OCTAVE
    spread = (slope * width) ** 2 * (points + 1) / (12 * (points - 1))
    np.testing.assert_allclose(smooth, spread / (spread + ripple**2), rtol=1e-3)


@pytest.mark.parametrize("metric", ["f6_hz", "beamwidth_horizontal_deg"])
def test_bass_limits_and_median_beamwidths_keep_plain_percentiles(metric):
    drawn = np.linspace(40, 60, 400)
    np.testing.assert_array_equal(intervals.corrected_draws(METRICS[metric], 45.0, drawn), drawn)


def test_preference_is_the_formula_on_its_corrected_components():
    ids = ("nbd_on_axis_db", "nbd_in_room_db", "slope_in_room_db_per_octave", "ripple_in_room_db", "smoothness_in_room", "power_f6_hz",
           "preference")  # fmt: skip
    rng = np.random.default_rng(6)
    value = np.array([0.4, 0.3, 1.0, 1.2, 0.7, 45.0, 5.0])
    draws = np.stack([rng.normal(v, 0.05 * v, 400) for v in value])
    u = intervals.uncertain(ids, value, draws)
    axis, room, _, _, smooth, bass = u.draws[:6]
    # S. E. Olive, AES Convention Paper 6190 (2004), coefficients from memory
    expected = 12.69 - 2.49 * axis - 2.99 * room - 4.31 * np.log10(bass) + 2.32 * smooth
    np.testing.assert_allclose(u.draws[6], expected)


def test_draws_survive_their_storage_in_sixteenths_of_the_standard_error():
    rng = np.random.default_rng(7)
    u = intervals.summarised(rng.normal(50.0, 2.0, (3, 400)))
    steps = intervals.encode(u)
    assert steps.dtype == np.int8
    back = intervals.decode(u.corrected, u.se, steps)
    assert np.abs(back - u.draws).max() <= u.se.max() / 32 + 1e-5


def test_a_withheld_value_has_no_interval_and_a_value_without_spread_has_a_width_of_zero():
    u = intervals.uncertain(
        ("f6_hz", "f3_hz"), np.array([np.nan, 40.0]), np.stack([np.full(400, 30.0), np.full(400, 40.0)])
    )
    assert np.isnan([u.corrected[0], u.se[0], u.low[0], u.high[0]]).all()
    assert (u.low[1], u.high[1], u.se[1]) == (40.0, 40.0, 0.0)
    assert (intervals.decode(u.corrected, u.se, intervals.encode(u))[1] == 40.0).all()


def test_a_metric_that_most_draws_do_not_have_gets_no_interval():
    draws = np.full((1, 400), np.nan)
    draws[0, :200] = 20.0
    assert np.isnan(intervals.uncertain(("rolloff_db_per_octave",), np.array([20.0]), draws).se[0])


def test_what_rounding_carries_out_of_a_metrics_range_is_brought_back():
    drawn = np.array([-0.01, 0.4, 1.2])
    assert intervals.within_nature("nbd_on_axis_db", drawn).tolist() == [0.0, 0.4, 1.2]
    assert intervals.within_nature("smoothness_in_room", drawn).tolist() == [0.0, 0.4, 1.0]
    assert intervals.within_nature("treble_balance_db", drawn).tolist() == drawn.tolist()
