"""Against general statistics libraries: the studentized range and others, computed elsewhere for the same data."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.quantile_regression import QuantReg

from speakerdb.statistics import ranksets
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.tradeoff import quantile_line


@pytest.mark.parametrize("speakers", [3, 10, 40])
def test_rank_sets_at_equal_errors_use_tukeys_studentized_range(speakers):
    # With equal variances the largest standardized difference of p values is the studentized range over √2 (Tukey)
    draws = np.random.default_rng(speakers).normal(size=(speakers, 20_000))
    noise = ranksets.noise_of(draws, np.zeros(speakers), np.zeros(speakers, int), 1e-9)
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
