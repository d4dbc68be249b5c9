import numpy as np
import pytest
from scipy import stats

from speakerdb.statistics.censored import median, peto_prentice, tobit
from speakerdb.statistics.groups import cliffs_delta, hedges_g
from speakerdb.statistics.regression import least_squares


def half_bounded(seed, n=120, slope=0.5, sigma=1.0):
    """A line of which about half the values are only known to lie above where the measurement ended."""
    random = np.random.default_rng(seed)
    x = random.normal(10.0, 2.0, n)
    y, end = 1.0 + slope * x + sigma * random.standard_normal(n), random.uniform(5.0, 7.0, n)
    return np.minimum(y, end), np.where(y > end, np.inf, y), np.column_stack([np.ones(n), x])


def test_tobit_finds_the_true_line_where_half_the_values_are_bounds():
    found = [tobit(*half_bounded(seed)) for seed in range(200)]
    lines = np.array([f.fit.coefficient for f in found])
    assert lines.mean(axis=0) == pytest.approx([1.0, 0.5], abs=0.12)
    assert np.mean([f.sigma for f in found]) == pytest.approx(1.0, abs=0.04)
    low, high = np.array([f.fit.interval() for f in found]).transpose(1, 0, 2)
    assert ((low[:, 1] <= 0.5) & (high[:, 1] >= 0.5)).mean() == pytest.approx(0.95, abs=0.04)
    # taking the bounds for values would bend the line down
    naive = np.mean([least_squares(lower, x).coefficient[1] for lower, _, x in map(half_bounded, range(50))])
    assert naive < 0.35


def test_tobit_of_exact_values_is_least_squares():
    _, _, design = half_bounded(1)
    y = design @ [3.0, -2.0] + np.random.default_rng(2).standard_normal(120)
    line, plain = tobit(y, y, design), least_squares(y, design)
    assert line.fit.coefficient == pytest.approx(plain.coefficient)
    assert line.fit.se == pytest.approx(plain.se * np.sqrt(118 / 120))


def test_tobit_mirrored_is_the_same_line_mirrored_and_units_do_not_matter():
    lower, upper, design = half_bounded(3)
    line, mirror = tobit(lower, upper, design).fit, tobit(-upper, -lower, design).fit
    assert mirror.coefficient == pytest.approx(-line.coefficient)
    scaled = tobit(lower * 1000.0, upper * 1000.0, design * [1.0, 0.01]).fit
    assert scaled.coefficient == pytest.approx(line.coefficient * [1000.0, 100_000.0])
    assert scaled.se == pytest.approx(line.se * [1000.0, 100_000.0])


def test_tobit_with_makers_that_hang_together_is_less_sure():
    random = np.random.default_rng(5)
    maker = np.repeat(np.arange(30), 8)
    x = np.repeat(random.normal(10.0, 2.0, 30), 8)
    y = 0.5 * x + np.repeat(random.standard_normal(30), 8) + random.standard_normal(240)
    lower, upper = np.minimum(y, 6.0), np.where(y > 6.0, np.inf, y)
    design = np.column_stack([np.ones(240), x])
    assert tobit(lower, upper, design, maker).fit.se[1] > 1.4 * tobit(lower, upper, design).fit.se[1]


def test_nothing_exact_makes_no_line():
    lower, _, design = half_bounded(1)
    with pytest.raises(ValueError, match="cannot carry"):
        tobit(lower, np.full(120, np.inf), design)


def test_median_of_exact_values_is_the_median():
    x = np.array([1.0, 2.0, 3.0, 10.0])
    assert median(x, x).value == 2.5
    x = np.append(x, 4.0)
    assert median(x, x).value == 3.0


def test_a_median_beyond_all_bounds_is_said_to_be_so():
    lower = np.array([1.0, 2.0, 3.0, 3.5])
    found = median(lower, np.array([1.0, np.inf, np.inf, np.inf]))
    assert (found.value, found.high) == (np.inf, np.inf)
    mirrored = median(-np.array([1.0, np.inf, np.inf, np.inf]), -lower)
    assert (mirrored.value, mirrored.low) == (-np.inf, -np.inf)


def test_bounds_on_both_sides_leave_only_what_is_sure():
    found = median(np.array([-np.inf, 2.0, 3.0]), np.array([1.0, 2.0, np.inf]))
    assert np.isnan(found.value)
    assert (found.low, found.high) == (2.0, 2.0)
    assert all(np.isnan(peto_prentice(np.array([-np.inf, 2.0]), np.array([1.0, np.inf]), np.array([True, False]))))


def test_median_intervals_cover_the_truth():
    covered = 0
    for seed in range(400):
        random = np.random.default_rng(seed)
        y, end = random.exponential(1.0, 60), random.exponential(2.0, 60)
        found = median(np.minimum(y, end), np.where(y > end, np.inf, y))
        covered += found.low <= np.log(2.0) <= found.high
    assert covered / 400 == pytest.approx(0.95, abs=0.03)


def test_without_bounds_the_group_test_is_the_rank_sum_test():
    random = np.random.default_rng(6)
    a, b = random.standard_normal(60), random.standard_normal(50) + 0.5
    y = np.concatenate([a, b])
    z, p = peto_prentice(y, y, np.arange(110) >= 60)
    other = stats.mannwhitneyu(b, a, method="asymptotic", use_continuity=False)
    assert z > 0
    assert p == pytest.approx(other.pvalue, rel=0.1)


def test_equal_groups_with_bounds_are_called_different_once_in_twenty():
    false = 0
    for seed in range(600):
        random = np.random.default_rng(seed)
        y, end = random.standard_normal(40), random.standard_normal(40)
        false += peto_prentice(np.minimum(y, end), np.where(y > end, np.inf, y), np.arange(40) % 2 == 0)[1] < 0.05
    assert false / 600 == pytest.approx(0.05, abs=0.025)


def test_groups_a_spread_apart_have_g_near_one_and_wholly_apart_delta_one():
    random = np.random.default_rng(7)
    a, b = random.standard_normal(500) + 1.0, random.standard_normal(400)
    g, low, high = hedges_g(a, b)
    assert g == pytest.approx(1.0, abs=0.15)
    assert low < 1.0 < high
    # probability of superiority of two normals one apart: Φ(1/√2) = 0.760
    assert cliffs_delta(a, a, b, b)[0] == pytest.approx(2 * 0.760 - 1, abs=0.06)
    assert cliffs_delta(a + 10, a + 10, b, b) == (1.0, 1.0)


def test_a_bound_may_lie_above_all():
    low, high = cliffs_delta(np.array([1.0]), np.array([np.inf]), np.array([2.0, 3.0]), np.array([2.0, 3.0]))
    assert (low, high) == (-1.0, 1.0)
