"""The curve set of ANSI/CTA-2034-A: which angles count in what, and by how much."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import curveset
from speakerdb.acoustics.curveset import PER_ORBIT, SLOTS, h, v


def random_levels(seed=0):
    return np.random.default_rng(seed).normal(80.0, 6.0, (3, SLOTS, 199))


def energy_mean(level, slots):
    return 10 * np.log10(np.mean(10 ** (level[:, slots] / 10), axis=1))


def test_slots_run_from_minus_170_to_180_first_horizontal_then_vertical():
    assert h(-170, 0, 180) == [0, 17, 35]
    assert v(-170, 0, 180) == [36, 53, 71]
    assert curveset.name_of(h(90)[0]) == "horizontal 90°"
    assert curveset.name_of(v(-40)[0]) == "vertical -40°"


def test_the_listening_window_is_the_energy_mean_of_nine_curves():
    level = random_levels()
    slots = h(0, 10, -10, 20, -20, 30, -30) + v(10, -10)
    assert len(slots) == 9
    np.testing.assert_allclose(curveset.curve_set(level).lw, energy_mean(level, slots))


def test_early_reflections_are_the_energy_mean_of_five_bounces_whatever_the_number_of_angles_in_each():
    level = random_levels(1)
    bounces = [
        v(-20, -30, -40),
        v(40, 50, 60),
        h(0, 10, -10, 20, -20, 30, -30),
        h(*(s * a for a in (40, 50, 60, 70, 80) for s in (1, -1))),
        h(180, *(s * a for a in range(90, 180, 10) for s in (1, -1))),
    ]
    means = np.stack([10 ** (energy_mean(level, b) / 10) for b in bounces])
    np.testing.assert_allclose(curveset.curve_set(level).er, 10 * np.log10(means.mean(axis=0)))


def test_the_in_room_curve_is_12_44_44_of_the_three_on_power():
    c = curveset.curve_set(random_levels(2))
    power = 0.12 * 10 ** (c.lw / 10) + 0.44 * 10 ** (c.er / 10) + 0.44 * 10 ** (c.sp / 10)
    np.testing.assert_allclose(c.in_room, 10 * np.log10(power))


def test_indices_are_the_window_over_the_others():
    c = curveset.curve_set(random_levels(3))
    np.testing.assert_array_equal(c.di_early, c.lw - c.er)
    np.testing.assert_array_equal(c.di_power, c.lw - c.sp)


@pytest.mark.parametrize("weights", curveset.WEIGHTS.values(), ids=curveset.WEIGHTS)
def test_all_weights_sum_to_one(weights):
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("slot", "lost"),
    [
        (v(10)[0], {"lw", "in_room", "sp"}),
        (v(50)[0], {"er", "in_room", "sp"}),
        (h(120)[0], {"er", "in_room", "sp"}),
        (v(100)[0], {"sp", "in_room"}),
        (h(0)[0], {"on_axis", "lw", "er", "sp", "in_room"}),
    ],
)
def test_a_missing_angle_takes_with_it_what_needs_it_and_nothing_else(slot, lost):
    level = random_levels(4)
    level[:, slot, 50:60] = np.nan
    c = curveset.curve_set(level)
    for part in ("on_axis", "lw", "er", "sp", "in_room"):
        curve = getattr(c, part)
        assert np.isnan(curve[:, 50:60]).all() == (part in lost), part
        assert not np.isnan(np.delete(curve, range(50, 60), axis=1)).any()


def test_axis_and_rear_of_one_orbit_stand_for_those_of_the_other():
    level = random_levels(5)
    whole = level.copy()
    for mine, twin in ((v(0), h(0)), (v(180), h(180))):
        whole[:, mine] = whole[:, twin]
    horizontal_only, vertical_only = whole.copy(), whole.copy()
    horizontal_only[:, v(0, 180)] = np.nan
    vertical_only[:, h(0, 180)] = np.nan
    np.testing.assert_array_equal(curveset.share_poles(horizontal_only), whole)
    np.testing.assert_array_equal(curveset.share_poles(vertical_only), whole)
    assert curveset.share_poles(whole) is whole


def test_two_readings_of_the_axis_stand_as_their_energy_mean_in_both_orbits():
    both = random_levels(6)
    shared = curveset.share_poles(both)
    for mine, twin in ((v(0), h(0)), (v(180), h(180))):
        mean = 10.0 * np.log10((10.0 ** (both[:, mine] / 10.0) + 10.0 ** (both[:, twin] / 10.0)) / 2.0)
        np.testing.assert_allclose(shared[:, mine], mean, atol=1e-10)
        np.testing.assert_allclose(shared[:, twin], mean, atol=1e-10)
    rest = np.setdiff1d(np.arange(SLOTS), np.concatenate([h(0, 180), v(0, 180)]))
    np.testing.assert_array_equal(shared[:, rest], both[:, rest])


def test_where_one_reading_of_the_axis_has_a_gap_the_other_fills_it():
    level = random_levels(7)
    level[:, v(0)[0], 50:60] = np.nan
    shared = curveset.share_poles(level)
    np.testing.assert_array_equal(shared[:, h(0)[0], 50:60], level[:, h(0)[0], 50:60])
    assert not np.isnan(shared).any()


def test_a_pole_whose_readings_agree_leaves_the_other_to_be_shared():
    level = random_levels(8)
    level[:, v(0)] = level[:, h(0)]
    shared = curveset.share_poles(level)
    mean = energy_mean(level, h(180) + v(180))
    for slot in h(180) + v(180):
        np.testing.assert_allclose(shared[:, slot], mean)


def test_missing_angles_are_named():
    present = np.ones(SLOTS, bool)
    window = np.flatnonzero(curveset.LW_WEIGHTS).tolist()
    assert curveset.missing_angles(window, present) == ""
    present[v(10, -10)] = False
    assert curveset.missing_angles(window, present) == "vertical 10°, -10° not measured"
    present[PER_ORBIT:] = False
    assert curveset.missing_angles(window, present) == "no vertical orbit"
    present[v(0, 180)] = True  # lent by the horizontal orbit
    assert curveset.missing_angles(window, present) == "no vertical orbit"


def test_single_precision_is_good_to_a_thousandth_of_a_db_and_stays_single():
    level = random_levels(7)
    single = curveset.curve_set(level.astype(np.float32))
    exact = curveset.curve_set(level)
    assert single.sp.dtype == np.float32
    np.testing.assert_allclose(single.sp, exact.sp, atol=1e-3)
