import numpy as np
import pytest

from speakerdb.statistics import regression


def field(random, n=200, makers=25, slope=0.5, shared=0.6):
    maker = np.unique(random.integers(0, makers, n), return_inverse=True)[1] if makers < n else np.arange(n)
    makers = maker.max() + 1
    x = random.normal(size=n) + random.normal(size=makers)[maker]
    y = 1.0 + slope * x + random.normal(size=n) + shared * random.normal(size=makers)[maker]
    return np.column_stack([np.ones(n), x]), y, maker


SLOPE = np.array([[0.0, 1.0]])


def test_intervals_that_allow_for_makers_hold_the_slope_and_plain_ones_do_not():
    random = np.random.default_rng(1)
    clustered = plain = 0
    for _ in range(1000):
        matrix, y, maker = field(random, n=120, makers=12, shared=1.5)
        for cluster in (maker, np.arange(120)):
            found = regression.least_squares(matrix, y, np.unique(cluster, return_inverse=True)[1]).estimates(SLOPE)
            hit = bool(abs(found.value[0] - 0.5) <= found.half_width[0])
            clustered, plain = (clustered + hit, plain) if cluster is maker else (clustered, plain + hit)
    assert 0.92 <= clustered / 1000 <= 0.98
    assert plain / 1000 < 0.85


def tobit_holds(random, makers, speakers, alike, runs):
    """Share of the censored slope's intervals that hold the truth, a quarter of the values being bounds; few makers."""
    holds = told = 0
    for _ in range(runs):
        maker = np.unique(random.integers(0, makers, speakers), return_inverse=True)[1]
        shared = random.normal(size=(2, maker.max() + 1))[:, maker]
        x = np.sqrt(0.5) * (shared[0] + random.normal(size=speakers))
        y = np.sqrt(alike) * shared[1] + np.sqrt(1 - alike) * random.normal(size=speakers)
        side = (y > 0.7).astype(int)
        if side.mean() > 0.5:
            continue
        fit, _ = regression.tobit(np.column_stack([np.ones(speakers), x]), np.minimum(y, 0.7), side, maker)
        found = fit.estimates(SLOPE)
        told += bool(found.df[0] >= 3.0)
        holds += bool(abs(found.value[0]) <= found.half_width[0])
    return holds / told


def test_censored_slopes_of_few_makers_hold_the_truth():
    assert 0.92 <= tobit_holds(np.random.default_rng(7), 8, 40, 0.3, 250) <= 0.985


@pytest.mark.slow
@pytest.mark.parametrize("alike", [0.0, 0.3, 0.7])
@pytest.mark.parametrize(("makers", "speakers"), [(6, 30), (8, 40), (14, 60), (30, 100)])
def test_censored_slopes_of_few_makers_hold_the_truth_in_2000_fields(makers, speakers, alike):
    assert 0.92 <= tobit_holds(np.random.default_rng(8), makers, speakers, alike, 2000) <= 0.98


def test_gradient_and_information_of_the_censored_likelihood_are_its_derivatives():
    random = np.random.default_rng(9)
    matrix = np.column_stack([np.ones(12), random.normal(size=12)])
    y, side = random.normal(size=12), np.array([0, 1, -1, 0] * 3)
    theta, step = np.array([0.2, -0.4, 1.3]), 1e-5
    cluster = np.arange(12) % 4

    def at(moved):
        return regression._likelihood(matrix, y, side, moved)

    def change(of, towards):
        return (of(at(theta + step * towards)) - of(at(theta - step * towards))) / (2 * step)

    here = at(theta)
    for k, unit in enumerate(np.eye(3)):
        assert here.gradient[:, k].sum() == pytest.approx(change(lambda f: f.value, unit), rel=1e-6)
        downhill = -change(lambda f: f.gradient.sum(axis=0), unit)
        assert here.information()[k] == pytest.approx(downhill, rel=1e-6, abs=1e-8)
    assert here.information_within(cluster).sum(axis=0) == pytest.approx(here.information())
    one = cluster == 2
    alone = regression._likelihood(matrix[one], y[one], side[one], theta)
    assert here.information_within(cluster)[2] == pytest.approx(alone.information())


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
        se.append(fit.estimates(SLOPE).se[0])
    assert np.mean(found) == pytest.approx(0.5, abs=0.03)
    assert np.mean(se) == pytest.approx(np.std(found), rel=0.15)


def test_tobit_without_censoring_is_least_squares():
    matrix, y, maker = field(np.random.default_rng(4))
    fit, sigma = regression.tobit(matrix, y, np.zeros(len(y), int), maker)
    plain = regression.least_squares(matrix, y, maker)
    assert fit.coefficient == pytest.approx(plain.coefficient, abs=1e-6)
    ours, theirs = fit.estimates(SLOPE), plain.estimates(SLOPE)
    assert (ours.se, ours.df) == (pytest.approx(theirs.se, rel=0.02), pytest.approx(theirs.df, rel=0.02))
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
