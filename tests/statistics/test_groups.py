import numpy as np
import pytest

from speakerdb.statistics import groups


def none(n):
    return np.zeros(n, bool)


def test_without_censoring_the_median_is_the_median():
    value = np.array([5.0, 1.0, 9.0, 4.0, 7.0])
    assert groups.median(value, none(5))[0] == 5.0
    assert groups.median(value[:4], none(4))[0] == 4.5


def test_bounds_pull_the_median_up_and_many_leave_it_open():
    value = np.array([1.0, 2.0, 3.0, 3.0, 5.0])
    assert groups.median(value, np.array([False, False, True, False, False]))[0] == 3.0
    assert groups.median(value, np.array([False, True, True, True, True]))[0] == np.inf


def test_kaplan_meier_by_hand():
    # 6 of whom one is censored at 2 and one at 4: 5/6, then 4 at risk: 5/6·3/4, then 2 at risk, then 1
    s = groups.kaplan_meier(np.array([1.0, 2, 3, 4, 5, 6]), np.array([0, 1, 0, 1, 0, 0], bool))
    assert s.above == pytest.approx([5 / 6, 5 / 6 * 3 / 4, 5 / 6 * 3 / 4 / 2, 0.0])


def test_the_interval_of_the_median_covers():
    random = np.random.default_rng(1)
    hits = 0
    for _ in range(400):
        value, bound = random.normal(size=40), random.normal(1.0, 1.0, 40)
        _, low, high = groups.median(np.minimum(value, bound), value > bound)
        hits += low <= 0.0 <= high
    assert 0.92 <= hits / 400 <= 0.99


def test_the_rank_test_rejects_equals_at_its_level_and_finds_a_shift_under_censoring():
    random = np.random.default_rng(2)
    group = np.repeat([0, 1, 2], 25)
    false = found = 0
    for _ in range(300):
        value, bound = random.normal(size=75), random.normal(1.0, 1.0, 75)
        false += groups.peto_prentice(np.minimum(value, bound), value > bound, group)[1] < 0.05
        moved = value + (group == 2)
        found += groups.peto_prentice(np.minimum(moved, bound), moved > bound, group)[1] < 0.05
    assert 0.02 <= false / 300 <= 0.085
    assert found / 300 > 0.7


def test_effect_sizes_by_hand():
    a, b = np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0])
    assert groups.hedges_g(a, b) == pytest.approx(2.0 * (1 - 3 / 15))  # both sd 1, 4 degrees of freedom
    assert groups.cliffs_delta(a, a, b, b) == pytest.approx(8 / 9)
    assert groups.cliffs_delta(a, np.full(3, np.inf), b, b) == pytest.approx(8 / 9)
    assert groups.cliffs_delta(a, a, b, np.full(3, np.inf)) == pytest.approx(0.0)
    assert np.isnan(groups.hedges_g(a[:1], b))
