import numpy as np
import pytest

from speakerdb.statistics import regression


def field(random, n=200, makers=25, slope=0.5, shared=0.6):
    maker = random.integers(0, makers, n)
    x = random.normal(size=n) + random.normal(size=makers)[maker]
    y = 1.0 + slope * x + random.normal(size=n) + shared * random.normal(size=makers)[maker]
    return np.column_stack([np.ones(n), x]), y, maker


def test_clustered_intervals_cover_where_makers_differ_and_plain_ones_do_not():
    random = np.random.default_rng(1)
    clustered = plain = 0
    for _ in range(200):
        matrix, y, maker = field(random, n=120, makers=20, shared=1.5)
        fit = regression.least_squares(matrix, y, maker)
        clustered += abs(fit.coefficient[1] - 0.5) <= fit.half_width(fit.se(1))
        alone = regression.least_squares(matrix, y, np.arange(120))
        plain += abs(alone.coefficient[1] - 0.5) <= alone.half_width(alone.se(1))
    assert clustered / 200 > plain / 200
    assert clustered / 200 > 0.89


def test_tobit_finds_the_truth_that_least_squares_misses_under_censoring():
    random = np.random.default_rng(2)
    tobit, naive = [], []
    for _ in range(40):
        matrix, y, maker = field(random, n=400, makers=400, slope=1.0, shared=0.0)
        bound = 1.5  # labs stop at a highest drive: all above is "at least"
        side = (y > bound).astype(int)
        seen = np.minimum(y, bound)
        fit, sigma = regression.tobit(matrix, seen, side, maker)
        tobit.append([*fit.coefficient, sigma])
        naive.append(np.linalg.lstsq(matrix, seen)[0][1])
    assert np.mean(tobit, axis=0) == pytest.approx([1.0, 1.0, 1.0], abs=0.03)  # σ: the noise has sd 1
    assert np.mean(naive) < 0.75


def test_tobit_errors_match_the_scatter_of_its_estimates():
    random = np.random.default_rng(3)
    found, se = [], []
    for _ in range(150):
        matrix, y, maker = field(random, n=150, makers=150, shared=0.0)
        side = np.where(y > 2.0, 1, np.where(y < 0.0, -1, 0))
        fit, _ = regression.tobit(matrix, np.clip(y, 0.0, 2.0), side, maker)
        found.append(fit.coefficient[1])
        se.append(fit.se(1))
    assert np.mean(found) == pytest.approx(0.5, abs=0.03)
    assert np.mean(se) == pytest.approx(np.std(found), rel=0.15)


def test_tobit_without_censoring_is_least_squares():
    matrix, y, maker = field(np.random.default_rng(4))
    fit, sigma = regression.tobit(matrix, y, np.zeros(len(y), int), maker)
    plain = regression.least_squares(matrix, y, maker)
    assert fit.coefficient == pytest.approx(plain.coefficient, abs=1e-6)
    assert sigma == pytest.approx(np.sqrt(np.mean((y - matrix @ plain.coefficient) ** 2)), rel=1e-6)


def test_theil_sen_ignores_a_wild_point_and_random_pairs_come_near_all_pairs():
    random = np.random.default_rng(5)
    x = np.arange(50.0)
    y = 0.3 * x
    y[10] = 1e6
    assert regression.theil_sen(x, y, random) == pytest.approx(0.3)
    x, y = random.normal(size=3000), random.normal(size=3000)
    i, j = np.triu_indices(3000, 1)
    exact = np.median((y[j] - y[i]) / (x[j] - x[i]))
    assert regression.theil_sen(x, y, random) == pytest.approx(exact, abs=0.002)
    assert np.isnan(regression.theil_sen(np.ones(5), np.arange(5.0), random))


def test_reliability_is_the_share_of_variance_that_is_no_error():
    random = np.random.default_rng(6)
    truth = 3.0 * random.normal(size=20_000)
    measured = truth + random.normal(size=20_000)
    assert regression.reliability(measured, np.ones(20_000)) == pytest.approx(0.9, abs=0.01)
