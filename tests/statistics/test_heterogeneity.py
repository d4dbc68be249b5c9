"""Do measurements disagree beyond their errors, and by what is their mean then less sure
(method:statistics#sessions-that-disagree).

Closed form: the residuals of n independent sessions of equal error σ have Q = Σ(x − mean)²/σ², so that √(Q/df) carries
the pooled error σ/√n to s/√n, s being their own standard deviation, whatever σ is.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from speakerdb.statistics.heterogeneity import DISAGREEMENT_P, disagreement, widening


def pooled_error(value, sd):
    """(standard error of the plain mean after widening, whether flagged) of independent sessions of equal error."""
    n = len(value)
    factor, flagged = widening(*disagreement(np.array(value, float), np.full(n, 1.0 / n), sd**2 * np.eye(n)))
    return factor * sd / np.sqrt(n), flagged


@pytest.mark.parametrize("value", [[10.0, 13.0], [10.0, 13.0, 14.0], [1.0, 2.0, 4.0, 9.0]])
@pytest.mark.parametrize("sd", [0.05, 0.3])
def test_sessions_that_disagree_have_the_pooled_error_of_their_own_scatter(value, sd):
    error, flagged = pooled_error(value, sd)
    assert error == pytest.approx(np.std(value, ddof=1) / np.sqrt(len(value)), rel=1e-9)
    assert flagged


def test_the_figures_that_the_design_gives():
    assert pooled_error([10.0, 13.0], 0.3)[0] == pytest.approx(1.500, abs=5e-5)
    assert pooled_error([10.0, 13.0, 14.0], 0.3)[0] == pytest.approx(1.2019, abs=5e-5)
    assert pooled_error([10.0, 10.1], 0.3) == (pytest.approx(0.2121, abs=5e-5), False)


def test_the_p_is_that_of_chi_squared_and_the_flag_goes_by_it():
    for difference in (0.5, 1.0, 1.09, 1.1, 1.5):
        ratio, p = disagreement(np.array([0.0, difference]), np.array([0.5, 0.5]), 0.09 * np.eye(2))
        assert ratio == pytest.approx(difference**2 / 2 / 0.09)
        assert p == pytest.approx(stats.chi2.sf(ratio, 1), rel=1e-9)
        assert widening(ratio, p)[1] == (p < DISAGREEMENT_P)


def test_what_sessions_share_makes_them_no_more_alike():
    value, weight = np.array([10.0, 10.4, 11.0]), np.full(3, 1 / 3)
    own = np.diag([0.04, 0.09, 0.01])
    alone = disagreement(value, weight, own)
    shared = disagreement(value, weight, own + 7.0)
    np.testing.assert_allclose(shared, alone, rtol=1e-6)


def test_unequal_weights_and_errors_against_generalised_least_squares():
    # whatever weights the mean has, residuals span the same contrasts: Q = x'(V⁻¹ − V⁻¹1(1'V⁻¹1)⁻¹1'V⁻¹)x
    rng = np.random.default_rng(20260301)
    root = rng.normal(size=(4, 4))
    covariance, value, one = root @ root.T, rng.normal(size=4), np.ones(4)
    inverse = np.linalg.inv(covariance)
    q = value @ (inverse - np.outer(inverse @ one, one @ inverse) / (one @ inverse @ one)) @ value
    for weight in (np.full(4, 0.25), np.array([0.5, 0.25, 0.125, 0.125])):
        assert disagreement(value, weight, covariance)[0] == pytest.approx(q / 3, rel=1e-6)


def test_sessions_that_only_differ_by_error_are_flagged_one_time_in_a_hundred():
    rng = np.random.default_rng(20260302)
    covariance = np.array([[0.3, 0.1, 0.0], [0.1, 0.3, 0.0], [0.0, 0.0, 0.8]])
    drawn = rng.multivariate_normal(np.zeros(3), covariance, 4000)
    weight = np.array([0.25, 0.25, 0.5])
    flagged = sum(widening(*disagreement(x, weight, covariance))[1] for x in drawn)
    assert flagged / 4000 == pytest.approx(DISAGREEMENT_P, abs=0.005)  # three standard errors


def test_one_session_or_none_that_could_differ_agree():
    assert disagreement(np.array([3.0]), np.array([1.0]), np.array([[0.2]])) == (0.0, 1.0)
    assert disagreement(np.array([3.0, 3.0]), np.array([0.5, 0.5]), np.full((2, 2), 0.2)) == (0.0, 1.0)
    assert widening(0.0, 1.0) == (1.0, False)


def test_where_no_errors_are_known_or_nothing_is_to_be_compared_nothing_disagrees():
    half = np.full(2, 0.5)
    assert disagreement(np.array([10.0, 13.0]), half, np.zeros((2, 2))) == (0.0, 1.0)
    assert disagreement(np.array([10.0, 13.0]), half, np.full((2, 2), 0.5)) == (0.0, 1.0)  # all of it is shared
    assert disagreement(np.array([10.0]), np.ones(1), np.eye(1)) == (0.0, 1.0)
