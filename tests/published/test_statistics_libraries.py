"""Against general statistics libraries: the studentized range and others, computed elsewhere for the same data."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.quantile_regression import QuantReg

from speakerdb.statistics import jointsets
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.expectation import quantile_line
from speakerdb.statistics.groups import kaplan_meier, prentice_scores
from speakerdb.statistics.places import exact
from speakerdb.statistics.regression import least_squares, theil_sen
from tests.statistics.makers import widths


@pytest.mark.parametrize("speakers", [3, 10, 40])
def test_joint_sets_at_equal_errors_use_tukeys_studentized_range(speakers):
    # With equal variances the largest standardized difference of p values is the studentized range over √2 (Tukey)
    draws = np.random.default_rng(speakers).normal(size=(speakers, 20_000))
    critical = jointsets.critical_value(exact(np.zeros(speakers), 1.0), draws)
    assert critical == pytest.approx(stats.studentized_range.ppf(0.95, speakers, np.inf) / np.sqrt(2), rel=0.015)


def test_false_discovery_rates_equal_scipys():
    p = np.random.default_rng(3).beta(0.5, 2.0, 200)
    assert np.allclose(benjamini_hochberg(p), stats.false_discovery_control(p, method="bh"))


@pytest.mark.parametrize("tau", [0.1, 0.5, 0.9])
def test_quantile_lines_equal_those_of_statsmodels(tau):
    random = np.random.default_rng(8)
    x = random.normal(8.0, 1.0, 151)
    y = 3.0 + 0.7 * x + random.standard_t(3, 151)
    fitted = QuantReg(y, np.column_stack([np.ones(151), x])).fit(tau, p_tol=1e-9, max_iter=20_000)
    a, b = quantile_line(x, y, tau)

    def loss(intercept, slope):
        left = y - intercept - slope * x
        return np.maximum(tau * left, (tau - 1) * left).sum()

    assert (a, b) == pytest.approx(tuple(fitted.params), abs=2e-3)
    assert loss(a, b) <= loss(*fitted.params) + 1e-6


def by_hand(matrix, y, maker, column):
    """Coefficient, standard error and degrees of freedom of CR2 with matrices of the whole field, written from R. M.
    Bell, D. F. McCaffrey, Survey Methodology 28(2), 2002, and J. E. Pustejovsky, E. Tipton, Journal of Business &
    Economic Statistics 36(4), 2018 (from memory)."""
    bread = np.linalg.inv(matrix.T @ matrix)
    rest = np.eye(len(y)) - matrix @ bread @ matrix.T
    variance, columns = 0.0, []
    for one in np.unique(maker):
        mine = maker == one
        values, vectors = np.linalg.eigh(rest[np.ix_(mine, mine)])
        root = vectors @ np.diag([v**-0.5 if v > 1e-9 else 0.0 for v in values]) @ vectors.T
        weights = root @ matrix[mine] @ bread[:, column]
        variance += (weights @ (rest @ y)[mine]) ** 2
        columns.append(rest[:, mine] @ weights)
    values = np.linalg.eigvalsh(np.array(columns) @ np.array(columns).T)
    return (bread @ matrix.T @ y)[column], np.sqrt(variance), values.sum() ** 2 / (values**2).sum()


def ours(matrix, y, maker, column):
    found = least_squares(matrix, y, maker).estimates(np.eye(matrix.shape[1])[column : column + 1])
    return found.value[0], found.se[0], found.df[0]


@pytest.mark.parametrize("column", [0, 1, 2])
def test_clustered_errors_and_their_degrees_of_freedom_equal_those_by_whole_matrices(column):
    random = np.random.default_rng(9)
    maker = random.integers(0, 14, 90)
    maker[80:] = 3  # one of them large
    maker = np.unique(maker, return_inverse=True)[1]
    matrix = np.column_stack([np.ones(90), random.normal(size=90), random.integers(0, 2, 90)])
    y = matrix @ [1.0, 0.5, 2.0] + random.normal(size=90) + random.normal(size=14)[maker]
    assert ours(matrix, y, maker, column) == pytest.approx(by_hand(matrix, y, maker, column), rel=1e-6)
    assert ours(matrix, y, maker, column)[0] == pytest.approx(OLS(y, matrix).fit().params[column])


@pytest.mark.parametrize("layout", ["full-range", "three-way", "two-and-a-half-way", "two-way", "coaxial two-way"])
def test_layouts_of_the_invented_fleet_against_all_others(layout):
    y, maker, layouts = widths()
    matrix = np.column_stack([np.ones(len(y)), layouts == layout])
    assert ours(matrix, y, maker, 1) == pytest.approx(by_hand(matrix, y, maker, 1), rel=1e-6)


def test_with_a_maker_for_every_speaker_the_errors_are_hc2_of_statsmodels():
    random = np.random.default_rng(12)
    matrix = np.column_stack([np.ones(40), random.normal(size=40), random.uniform(size=40) < 0.2])
    y = matrix @ [1.0, 0.5, 2.0] + random.normal(size=40) * (1 + np.abs(matrix[:, 1]))
    theirs = OLS(y, matrix).fit(cov_type="HC2")
    assert [ours(matrix, y, np.arange(40), k)[1] for k in range(3)] == pytest.approx(theirs.bse.tolist(), rel=1e-9)


def test_theil_sen_equals_scipys():
    random = np.random.default_rng(10)
    x, y = random.integers(2000, 2026, 80).astype(float), random.normal(size=80)
    assert theil_sen(x, y, random) == pytest.approx(stats.theilslopes(y, x).slope)


@pytest.mark.parametrize("censored", [0.0, 0.4])
def test_kaplan_meier_equals_that_of_statsmodels_and_step_by_step(censored):
    random = np.random.default_rng(11)
    value = random.integers(0, 20, 60).astype(float)
    open_above = random.uniform(size=60) < censored
    found = kaplan_meier(value, open_above)
    theirs = SurvfuncRight(value, ~open_above)
    assert found.above == pytest.approx(theirs.surv_prob[np.isin(theirs.surv_times, found.value)], abs=1e-9)
    # R's survfit by its formulas: product of 1 − d/n, Greenwood's sum of d/(n(n − d)), the log-log interval of the
    # median
    share, greenwood, low, high = 1.0, 0.0, np.inf, np.inf
    for k, step in enumerate(sorted(set(value[~open_above]))):
        d, n = ((value == step) & ~open_above).sum(), (value >= step).sum()
        share *= 1 - d / n
        if n == d:
            high = min(high, step)
            break
        greenwood += d / (n * (n - d))
        assert (found.above[k], found.variance[k]) == pytest.approx((share, greenwood), rel=1e-6)
        ends = [share ** np.exp(z * np.sqrt(greenwood) / np.log(share)) for z in (1.96, -1.96)]
        low = min(low, step) if min(ends) <= 0.5 else low
        high = min(high, step) if max(ends) < 0.5 else high
    assert found.median_interval(1.96) == (low, high)


@pytest.mark.parametrize("censored", [0.0, 0.4])
def test_scores_of_groups_sum_to_the_statistic_of_peto_and_prentice(censored):
    # R's survdiff by its formula, observed less expected, with the weight of Prentice and Marek
    random = np.random.default_rng(11)
    value, group = random.integers(0, 20, 60).astype(float), random.integers(0, 3, 60)
    open_above = random.uniform(size=60) < censored
    statistic, weight = np.zeros(3), 1.0
    for step in sorted(set(value[~open_above])):
        d, n = ((value == step) & ~open_above).sum(), (value >= step).sum()
        weight *= 1 - d / (n + 1)
        for k in range(3):
            observed, mine = (
                ((value == step) & ~open_above & (group == k)).sum(),
                ((value >= step) & (group == k)).sum(),
            )
            statistic[k] += weight * (observed - d * mine / n)
    score = prentice_scores(value, open_above)
    assert [score[group == k].sum() for k in range(3)] == pytest.approx(statistic.tolist(), rel=1e-6)
