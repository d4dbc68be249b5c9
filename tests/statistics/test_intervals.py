"""Intervals about the plain value hold the truth and the value; draws survive their storage
(method:statistics#intervals)."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import response
from speakerdb.acoustics.grid import LOG2_HZ
from speakerdb.metrics import METRICS
from speakerdb.statistics import fields, intervals

NBD, TREBLE, SMOOTH = (METRICS[m] for m in ("nbd_on_axis_db", "treble_balance_db", "smoothness_in_room"))
NORMAL = 1.959964  # the 97.5 % point of a normal distribution


def interval(metric, value, draws):
    """(low, high, e) of one metric from a layer of draws (B,)."""
    t = np.array([value])
    layer = intervals.layer_of((metric,), t, np.asarray(draws, float)[None])
    found = intervals.span(t, layer.centred, layer.bias)
    low, high = intervals.within_nature(
        (metric,), found.low, found.high, np.maximum(layer.bias, 0.0), (found.down + found.up) / 2.0
    )
    return float(low[0]), float(high[0]), float(layer.bias[0])


def normal_draws(count=401):
    """Draws of a standard normal without luck: its quantiles at even steps."""
    from scipy import stats

    return stats.norm.ppf((np.arange(count) + 0.5) / count)


def test_where_noise_has_no_bias_the_interval_is_that_of_the_textbook_about_the_plain_value():
    low, high, e = interval(TREBLE, 1.0, 1.0 + 0.5 * normal_draws())
    assert e == 0.0
    assert [low, high] == pytest.approx([1.0 - NORMAL * 0.5, 1.0 + NORMAL * 0.5], abs=0.01)


@pytest.mark.parametrize("shift", [0.3, -0.3])
def test_a_bias_widens_the_interval_to_the_side_of_the_truth_alone(shift):
    # draws that lie 0.3 above the plain value: this itself lies 0.3 above the truth, and does not move for that
    low, high, e = interval(TREBLE, 2.0, 2.0 + shift + 0.5 * normal_draws())
    assert e == pytest.approx(shift, abs=1e-6)
    assert low == pytest.approx(2.0 - NORMAL * 0.5 - max(shift, 0.0), abs=0.01)
    assert high == pytest.approx(2.0 + NORMAL * 0.5 + max(-shift, 0.0), abs=0.01)


def test_a_bias_that_400_draws_cannot_tell_from_none_is_none():
    sd = np.std(normal_draws(400))
    for share, expected in ((2.9, 0.0), (3.1, 3.1 * sd / 20.0)):
        assert interval(TREBLE, 0.0, normal_draws(400) + share * sd / 20.0)[2] == pytest.approx(expected, abs=1e-9)


def test_the_first_helping_of_a_ripple_is_what_its_square_has_too_much():
    # a root mean square r over noise σ measures √(r² + σ²), and measured again √(r² + 2σ²)
    r, noise = 0.5, 0.3
    measured, again = np.sqrt(r**2 + noise**2), np.sqrt(r**2 + 2 * noise**2)
    assert interval(NBD, measured, np.full(400, again))[2] == pytest.approx(measured - r)


@pytest.mark.parametrize(("ripple_db", "points"), [(0.5, 30), (1.0, 3), (1.0, 30), (2.0, 30)])
def test_on_average_a_ripple_lies_above_the_truth_by_its_first_helping(ripple_db, points):
    """Of 0.4 dB on few independent points a part lies along the curve itself, which scatters the ripple and does not
    add to it."""
    rng = np.random.default_rng(20260313)
    shape = np.sin(np.arange(points) + 0.5)
    shape *= ripple_db / np.sqrt(np.mean(shape**2))
    measured = shape + 0.4 * rng.standard_normal((600, points))
    value = np.sqrt(np.mean(measured**2, axis=1))
    again = np.sqrt(np.mean((measured[:, None] + 0.4 * rng.standard_normal((600, 400, points))) ** 2, axis=-1))
    layer = intervals.layer_of((METRICS["flatness_on_axis_db"],) * 600, value, again)
    # what 400 draws can't tell from none counts as none
    assert layer.bias.mean() == pytest.approx(value.mean() - ripple_db, abs=0.012)


@pytest.mark.parametrize("ripple_db", [0.0, 0.3, 1.0, 5.0])
def test_what_is_measured_of_a_ripple_spreads_about_the_truth_as_the_interval_has_it(ripple_db):
    """A root mean square over 30 independent points with errors of 0.5 dB: measured many times, and drawn about
    each."""
    rng = np.random.default_rng(20260312)
    shape = ripple_db * np.sqrt(2.0) * np.sin(np.arange(30.0))

    def measured(curve, count):
        return np.sqrt(np.mean((curve + 0.5 * rng.standard_normal((count, 30))) ** 2, axis=1))

    spread = measured(shape, 20000).std()
    found, drawn = [], []
    for _ in range(100):
        curve = shape + 0.5 * rng.standard_normal(30)
        draws = measured(curve, 400)
        value = np.sqrt(np.mean(curve**2, keepdims=True))
        found.append(intervals.layer_of((METRICS["flatness_on_axis_db"],), value, draws[None]).se[0])
        drawn.append(draws.std())
    assert np.mean(found) == pytest.approx(spread, rel=0.05)
    assert (np.mean(drawn) > 1.15 * spread) == (ripple_db == 0.0)  # as drawn, too wide where all is noise


def test_errors_that_pick_the_worst_of_many_points_had_a_greater_first_helping_than_the_draws_show():
    # the least of n equal points with errors of σ lies at −k·σ, with two helpings at −k·√2·σ
    rng = np.random.default_rng(20260311)
    clean = METRICS["clean_level_multitone_db"]
    least = rng.standard_normal((20000, 40)).min(axis=1).mean()
    again = np.mean((rng.standard_normal((20000, 40)) + rng.standard_normal((20000, 40))).min(axis=1))
    low, high, e = interval(clean, 90.0 + least, 90.0 + again + 0.3 * normal_draws())
    assert e == pytest.approx(least, rel=0.02)
    assert high == pytest.approx(90.0 + NORMAL * 0.3, abs=0.05)
    assert low == pytest.approx(90.0 + least - NORMAL * 0.3, abs=0.02)


def test_the_worst_of_many_points_is_held_whether_many_nearly_tie_or_one_decides():
    """The least of 40 points with errors of 1 dB; plain percentiles of the draws reach up too little."""
    rng = np.random.default_rng(20260314)
    clean = METRICS["clean_level_multitone_db"]
    for spread_db in (0.3, 1.0, 6.0):
        held, plain = [], []
        for _ in range(400):
            points = 90.0 + spread_db * rng.standard_normal(40)
            measured = points + rng.standard_normal(40)
            draws = (measured + rng.standard_normal((400, 40))).min(axis=1)
            low, high, _ = interval(clean, measured.min(), draws)
            held.append(low <= points.min() <= high)
            plain.append(np.percentile(draws, 97.5) >= points.min())
        assert np.mean(held) >= 0.92
        assert (np.mean(plain) < 0.9) == (spread_db < 2.0)


def test_a_value_is_called_noise_limited_where_its_first_helping_passes_half_of_the_half_width():
    half = np.array([1.0, 1.0])
    assert intervals.noise_limited((NBD, TREBLE), np.array([0.51, -0.49]), half).tolist() == [1.0, 0.0]
    # of the worst of many points by what the draws themselves show, which is less
    clean = METRICS["clean_level_bass_db"]
    assert intervals.noise_limited((clean,) * 2, np.array([1.19, 1.22]), half).tolist() == [0.0, 1.0]


def test_a_ripple_that_noise_could_make_wholly_reaches_down_to_none():
    # nothing but noise: measured 0.3 where the truth is 0, draws about 0.3·√2
    low, high, e = interval(NBD, 0.3, 0.3 * np.sqrt(2.0) + 0.02 * normal_draws())
    assert e > (high - 0.3)
    assert low == 0.0
    # and not where the bias is less than the half width
    assert interval(NBD, 0.3, 0.31 + 0.05 * normal_draws())[0] > 0.1


def test_intervals_stay_where_their_metric_can_lie():
    assert interval(SMOOTH, 0.98, 0.98 + 0.05 * normal_draws())[1] == 1.0
    assert interval(SMOOTH, 0.02, 0.02 + 0.05 * normal_draws())[0] == 0.0
    assert interval(NBD, 0.05, 0.05 + 0.1 * normal_draws())[0] == 0.0
    assert interval(TREBLE, 0.05, 0.05 + 0.1 * normal_draws())[0] < 0.0


def test_the_interval_holds_the_plain_value_whatever_the_draws():
    rng = np.random.default_rng(20260310)
    metrics = (NBD, TREBLE, SMOOTH, METRICS["f6_hz"]) * 50
    t = rng.uniform(0.1, 0.9, len(metrics))
    draws = t[:, None] + rng.normal(0, 0.3, (len(metrics), 1)) + rng.exponential(0.2, (len(metrics), 400))
    layer = intervals.layer_of(metrics, t, draws)
    found = intervals.span(t, layer.centred, layer.bias)
    assert (found.low <= t).all()
    assert (t <= found.high).all()
    assert (found.down >= 0).all()
    assert (found.up >= 0).all()


def coverage(true_curve, runs, seed, sd=0.15, width=1 / 6, draws=400):
    """Shares of runs in which the interval and the plain percentiles of narrow-band deviation hold the truth."""
    rng = np.random.default_rng(seed)
    truth = response.narrow_band_deviation(true_curve[None])[0]
    hits = np.zeros(2)
    for _ in range(runs):
        measured = true_curve + sd * fields.smooth_field(rng, 1, width)[0]
        value = float(response.narrow_band_deviation(measured[None])[0])
        drawn = response.narrow_band_deviation(measured + sd * fields.smooth_field(rng, draws, width)).astype(float)
        for i, (low, high) in enumerate((interval(NBD, value, drawn)[:2], np.percentile(drawn, [2.5, 97.5]))):
            hits[i] += low <= truth <= high
    return hits / runs


@pytest.mark.parametrize("ripple_db", [0.0, 0.05, 0.5])
def test_intervals_of_ripples_hold_the_truth_and_plain_percentiles_of_small_ones_do_not(ripple_db):
    found, plain = coverage(ripple_db * np.sin(4 * np.pi * LOG2_HZ), runs=200, seed=20261125)
    assert found >= 0.92
    assert (plain < 0.5) == (ripple_db < 0.3)


def test_a_withheld_value_has_no_interval_and_a_value_that_no_draw_moves_has_a_width_of_none():
    t = np.array([np.nan, 40.0])
    layer = intervals.layer_of((TREBLE, TREBLE), t, np.stack([np.full(400, 30.0), np.full(400, 40.0)]))
    found = intervals.span(t, layer.centred, layer.bias)
    assert np.isnan([layer.se[0], layer.bias[0], found.low[0], found.high[0]]).all()
    assert layer.known.tolist() == [False, True]
    assert (found.low[1], found.high[1], layer.se[1]) == (40.0, 40.0, 0.0)


def test_a_metric_that_a_fifth_of_the_draws_lack_gets_no_interval_and_few_gaps_do_not_matter():
    draws = 20.0 + normal_draws(400)
    for missing, known in ((79, True), (81, False)):
        holed = draws.copy()
        holed[np.random.default_rng(1).permutation(400)[:missing]] = np.nan
        layer = intervals.layer_of((TREBLE,), np.array([20.0]), holed[None])
        assert layer.known.tolist() == [known]


def test_a_few_far_draws_do_not_make_the_standard_error():
    draws = normal_draws(400)
    far = draws.copy()
    far[-3:] = 40.0
    assert np.std(far) > 3.0
    assert intervals.standard_error(draws[None])[0] == pytest.approx(1.0, abs=0.01)
    assert intervals.standard_error(far[None])[0] == pytest.approx(1.0, abs=0.03)


def test_draws_survive_their_storage_in_eighths_of_the_standard_error():
    rng = np.random.default_rng(7)
    layer = intervals.layer_of((TREBLE,) * 3, np.full(3, 50.0), rng.normal(50.0, 2.0, (3, 400)))
    steps = intervals.encode(layer)
    assert steps.dtype == np.int8
    assert np.abs(intervals.decode(layer.se, steps) - layer.centred).max() <= layer.se.max() / 16 + 1e-5


def test_draws_beyond_16_standard_errors_are_cut_on_both_sides_alike():
    layer = intervals.Layer(np.array([[-40.0, -15.75, 0.06, 15.75, 40.0]]), np.ones(1), np.zeros(1), np.zeros(1))
    assert intervals.encode(layer).tolist() == [[-127, -126, 0, 126, 127]]


def test_what_has_no_draws_or_no_spread_is_stored_as_such():
    layer = intervals.layer_of((TREBLE,) * 2, np.array([1.0, 1.0]), np.stack([np.full(400, np.nan), np.ones(400)]))
    back = intervals.decode(layer.se, intervals.encode(layer))
    assert np.isnan(back[0]).all()
    assert not back[1].any()
