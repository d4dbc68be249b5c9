"""Against general statistics libraries: the studentized range and others, computed elsewhere for the same data."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight, survdiff
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.quantile_regression import QuantReg

from speakerdb.statistics import ranksets
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.groups import kaplan_meier, peto_prentice
from speakerdb.statistics.regression import least_squares, theil_sen
from speakerdb.statistics.tradeoff import quantile_line


@pytest.mark.parametrize("speakers", [3, 10, 40])
def test_rank_sets_at_equal_errors_use_tukeys_studentized_range(speakers):
    # With equal variances the largest standardized difference of p values is the studentized range over √2 (Tukey)
    draws = np.random.default_rng(speakers).normal(size=(speakers, 20_000))
    noise = ranksets.noise_of(draws, np.zeros(speakers, int), 1e-9)
    critical, _ = ranksets.critical_values(noise, np.zeros(1, int))
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


def test_clustered_errors_equal_those_of_statsmodels():
    random = np.random.default_rng(9)
    maker = random.integers(0, 14, 90)
    matrix = np.column_stack([np.ones(90), random.normal(size=90), random.integers(0, 2, 90)])
    y = matrix @ [1.0, 0.5, 2.0] + random.normal(size=90) + random.normal(size=14)[maker]
    theirs = OLS(y, matrix).fit(cov_type="cluster", cov_kwds={"groups": maker}, use_t=True)
    ours = least_squares(matrix, y, maker)
    assert ours.coefficient == pytest.approx(theirs.params)
    assert [ours.se(k) for k in range(3)] == pytest.approx(theirs.bse.tolist())
    assert [ours.p(k) for k in range(3)] == pytest.approx(theirs.pvalues.tolist())
    assert ours.coefficient[1] + ours.half_width(ours.se(1)) == pytest.approx(theirs.conf_int()[1, 1])


def test_theil_sen_equals_scipys():
    random = np.random.default_rng(10)
    x, y = random.integers(2000, 2026, 80).astype(float), random.normal(size=80)
    assert theil_sen(x, y, random) == pytest.approx(stats.theilslopes(y, x).slope)


@pytest.mark.parametrize("censored", [0.0, 0.4])
def test_kaplan_meier_and_the_rank_test_equal_those_of_statsmodels(censored):
    random = np.random.default_rng(11)
    value, group = random.integers(0, 20, 60).astype(float), random.integers(0, 3, 60)
    open_above = random.uniform(size=60) < censored
    theirs = SurvfuncRight(value, ~open_above)
    ours = kaplan_meier(value, open_above)
    assert ours.above == pytest.approx(theirs.surv_prob[np.isin(theirs.surv_times, ours.value)])
    # statsmodels' weights are Π(1 − d/n) before each step (Fleming–Harrington 1), ours Π(1 − d/(n + 1)): close, not equal
    chi, p = survdiff(value, ~open_above, group, weight_type="fh", fh_p=1)
    found = peto_prentice(value, open_above, group)
    assert found[0] == pytest.approx(chi, rel=0.15, abs=0.05)
    assert found[1] == pytest.approx(p, abs=0.05)
