"""How a raw curve reaches the analysis grid: averages where it is dense, straight lines where it is sparse, nothing
beyond it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speakerdb.acoustics import grid

F, X = grid.FREQUENCY_HZ, grid.LOG2_HZ


def one(f, level, **valid):
    return grid.to_grid(np.asarray(f, float), np.asarray(level, float)[None], **valid)[0]


def test_a_band_holds_its_ends():
    inside = F[grid.band(100.0, 200.0)]
    assert (inside[0], inside[-1]) == (pytest.approx(100.0), pytest.approx(200.0))
    assert len(inside) == 21


def test_300_hz_as_a_starting_point_is_the_grid_point_at_292_8():
    assert F[grid.at_or_below(300.0)] == pytest.approx(292.8, abs=0.05)
    assert F[grid.at_or_below(100.0)] == pytest.approx(100.0)


# --- sparse and dense


@pytest.mark.parametrize("per_octave", [2, 3, 6, 12, 20, 24, 48, 96])
def test_a_straight_line_over_log_frequency_stays_one(per_octave):
    f = 20.0 * 2 ** (np.arange(10 * per_octave + 1) / per_octave)
    found = one(f, 80.0 - 3.0 * np.log2(f / 1000.0))
    inside = ~np.isnan(found)
    assert inside.sum() >= 198  # the last grid point lies at 19.4 kHz
    # a power average of a slope within a cell cut at the data's end leans to the inside by less than half a cell
    np.testing.assert_allclose(found[inside], 80.0 - 3.0 * np.log2(F[inside] / 1000.0), atol=0.05)


def test_between_sparse_points_levels_are_linear_in_db_over_log_frequency():
    found = one([200.0, 250.0], [70.0, 80.0])
    j = 46 + 23  # 100·2^(23/20) = 221.9 Hz
    assert found[j] == pytest.approx(70.0 + 10.0 * np.log2(F[j] / 200.0) / np.log2(1.25))


def test_dense_points_are_averaged_by_power_over_the_cell():
    """Half of the cell about 1131 Hz at 70 dB, half at 80: 10·log10((10⁷ + 10⁸)/2) = 77.4 dB."""
    centre = F[116]
    x = np.linspace(-1.0, 1.0, 40_001)
    f = centre * 2**x
    found = one(f, np.where(x < 0, 70.0, 80.0))
    assert found[116] == pytest.approx(10 * np.log10((1e7 + 1e8) / 2), abs=0.02)
    assert found[115] == pytest.approx(70.0)
    assert found[117] == pytest.approx(80.0)


def naive(f, level):
    """The definition of method:metrics#the-analysis-grid read aloud, one grid point at a time."""
    keep = ~np.isnan(level)
    x, y = np.log2(f[keep]), level[keep]
    out = np.full(len(F), np.nan)
    breaks = np.flatnonzero(np.diff(x) > 0.5) + 1
    for px, py in zip(np.split(x, breaks), np.split(y, breaks), strict=True):
        for j, at in enumerate(X):
            if len(px) < 2 or not px[0] <= at <= px[-1]:
                continue
            low, high = max(at - 1 / 40, px[0]), min(at + 1 / 40, px[-1])
            inner = (px >= low) & (px <= high)
            if inner.sum() >= 2:
                nodes = np.concatenate([[low], px[inner], [high]])
                power = 10 ** (np.interp(nodes, px, py) / 10)
                area = np.sum((power[1:] + power[:-1]) / 2 * np.diff(nodes))
                out[j] = 10 * np.log10(area / (high - low))
            else:
                out[j] = np.interp(at, px, py)
    return out


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    points=st.integers(2, 300),
    holes=st.floats(0.0, 0.5),
)
def test_any_curve_reaches_the_grid_as_the_definition_says(seed, points, holes):
    rng = np.random.default_rng(seed)
    f = np.unique(np.round(20.0 * 2 ** rng.uniform(0, 10, points), 3))
    level = rng.normal(80.0, 6.0, len(f))
    level[rng.random(len(f)) < holes] = np.nan
    np.testing.assert_allclose(one(f, level), naive(f, level), atol=1e-8)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_curves_with_different_holes_do_not_touch_each_other(seed):
    rng = np.random.default_rng(seed)
    f = 20.0 * 2 ** (np.arange(240) / 24)
    levels = rng.normal(80.0, 3.0, (5, 240))
    levels[rng.random((5, 240)) < 0.2] = np.nan
    together = grid.to_grid(f, levels)
    for found, level in zip(together, levels, strict=True):
        np.testing.assert_array_equal(found, one(f, level))


def test_nothing_is_extrapolated_and_nothing_outside_the_valid_range_counts():
    f = 20.0 * 2 ** (np.arange(240) / 24)
    found = one(f, np.full(240, 80.0), valid_from_hz=200.0, valid_to_hz=5000.0)
    measured = F[~np.isnan(found)]
    assert measured[0] >= 200.0 * (1 - 1e-9)
    assert measured[-1] <= 5000.0
    spoilt = np.where((f < 200) | (f > 5000), 120.0, 80.0)
    np.testing.assert_array_equal(one(f, spoilt, valid_from_hz=200.0, valid_to_hz=5000.0), found)


@pytest.mark.parametrize(("width_oct", "bridged"), [(0.4, True), (0.5, True), (0.51, False), (1.0, False)])
def test_gaps_up_to_half_an_octave_are_bridged(width_oct, bridged):
    f = 200.0 * 2.0 ** np.array([-0.5, -0.25, 0.0, width_oct, width_oct + 0.25, width_oct + 0.5])
    found = one(f, np.full(6, 80.0))
    middle = int(np.argmin(np.abs(X - np.log2(200.0) - width_oct / 2)))
    assert np.isnan(found[middle]) == (not bridged)


@pytest.mark.parametrize("level", [[np.nan] * 5, [np.nan, np.nan, 80.0, np.nan, np.nan]])
def test_no_point_or_one_alone_is_no_curve(level):
    assert np.isnan(one([100.0, 120.0, 150.0, 180.0, 200.0], level)).all()


# --- raw resolution


@pytest.mark.parametrize("per_octave", [3, 6, 12, 24, 48])
def test_raw_resolution_of_logarithmic_points(per_octave):
    f = 20.0 * 2 ** (np.arange(10 * per_octave + 1) / per_octave)
    assert grid.raw_resolution(f) == pytest.approx(per_octave, abs=1)


def test_raw_resolution_of_a_linear_spacing_is_that_of_its_lowest_octave():
    assert grid.raw_resolution(np.arange(5.0, 20000.0, 10.0)) == 10  # ten bins of 10 Hz between 100 and 200 Hz


def test_an_octave_that_the_data_do_not_cover_is_not_counted():
    f = np.arange(400.0, 20000.0, 20.0)  # 20 points in 400–800 Hz
    assert grid.raw_resolution(f) == 20


@pytest.mark.parametrize(("slack", "lowest"), [(1.12, 400.0), (1.14, 800.0)])
def test_an_octave_counts_as_covered_give_or_take_half_a_third_octave_at_its_ends(slack, lowest):
    """The octave from 400 Hz is the coarsest of evenly spaced points where the data begin early enough, that to 3200 Hz
    ends it."""
    f = np.arange(400.0 * slack, 20000.0, 20.0)
    within = (f >= lowest) & (f < 2 * lowest)
    assert grid.raw_resolution(f) == within.sum()
    # 13 points in the octave from 1600 Hz, 20 or more in those below
    ending = np.concatenate([np.arange(100.0, 1600.0, 5.0), np.arange(1600.0, 2800.0, 100.0), [3200.0 / slack]])
    assert grid.raw_resolution(ending) == (13 if slack < 1.13 else 20)


def test_a_gap_is_not_a_coarse_resolution():
    f = 20.0 * 2 ** (np.arange(240) / 24)
    assert grid.raw_resolution(f[(f < 900) | (f > 2000)]) == 24


def test_too_little_to_count_is_no_resolution():
    assert grid.raw_resolution(np.array([1000.0])) == 0.0
    assert grid.raw_resolution(np.array([1000.0, 1010.0, 1020.0])) == 0.0


# --- 1/3-octave smoothing


def test_smoothing_is_the_mean_of_seven_powers_and_of_fewer_at_the_ends():
    power = np.random.default_rng(3).random((4, 199))
    smooth = grid.smooth_third_octave(power)
    for j in (0, 1, 2, 3, 100, 195, 198):
        np.testing.assert_allclose(smooth[:, j], power[:, max(0, j - 3) : j + 4].mean(axis=1))


def test_smoothing_uses_what_is_there_and_invents_nothing():
    power = np.random.default_rng(4).random(199)
    power[100:104] = np.nan
    smooth = grid.smooth_third_octave(power)
    assert np.isnan(smooth[100:104]).all()
    assert not np.isnan(np.delete(smooth, range(100, 104))).any()
    assert smooth[104] == pytest.approx(power[104:108].mean())


def test_single_precision_stays_single():
    power = np.ones((2, 199), np.float32)
    assert grid.smooth_third_octave(power).dtype == np.float32
