import numpy as np
import pytest

from speakerdb.statistics import comparison


def draws(value, sd=1.0, seed=1, shared=0.0):
    random = np.random.default_rng(seed)
    own = random.normal(size=(1, 4000))
    return value + sd * (own - own.mean()) / own.std(ddof=1) + shared


def exact(value):
    return np.array([value]), np.array([value])


def test_independent_errors_add_in_squares_and_p_follows_the_normal_law():
    found = comparison.differences(draws(3.0, 0.6), draws(1.0, 0.8, seed=2), exact(3.0), exact(1.0))
    assert found.difference == pytest.approx(2.0)
    assert found.se == pytest.approx(1.0, rel=0.03)
    assert found.p == pytest.approx(0.0455, abs=0.006)  # two standard errors: 4.55 % (normal table)
    assert found.above == pytest.approx(0.977, abs=0.003)
    assert (found.low, found.high) == (pytest.approx(0.04, abs=0.1), pytest.approx(3.96, abs=0.1))


def test_an_error_that_both_share_cancels():
    shared = 10.0 * np.random.default_rng(9).normal(size=4000)
    apart = comparison.differences(draws(3.0, 0.1, shared=shared), draws(1.0, 0.1, seed=2, shared=shared), exact(3.0), exact(1.0))  # fmt: skip
    assert apart.se < 0.2
    assert apart.p < 1e-6


@pytest.mark.parametrize(
    ("a", "b", "low", "high", "sure"),
    [
        ((3.0, np.inf), (1.0, 1.0), "closed", "open", True),  # a is at least 3, b is 1: surely above
        ((1.0, np.inf), (3.0, 3.0), "closed", "open", False),  # a is at least 1, b is 3: says nothing
        ((3.0, 3.0), (-np.inf, 1.0), "closed", "open", True),
        ((-np.inf, 1.0), (3.0, 3.0), "open", "closed", True),
        ((1.0, np.inf), (3.0, np.inf), "open", "open", False),
    ],
)
def test_a_censored_difference_is_a_bound(a, b, low, high, sure):
    values = [x[0] if np.isfinite(x[0]) else x[1] for x in (a, b)]
    found = comparison.differences(
        draws(values[0], 0.1), draws(values[1], 0.1, seed=2), tuple(np.array([x]) for x in a), tuple(np.array([x]) for x in b)
    )  # fmt: skip
    assert np.isnan(found.difference).all()
    assert np.isfinite(found.low[0]) == (low == "closed")
    assert np.isfinite(found.high[0]) == (high == "closed")
    assert (found.p[0] < 0.01) == sure
    assert not (found.p[0] < 1.0) or sure


def test_no_error_and_no_difference_is_no_evidence():
    found = comparison.differences(np.ones((1, 10)), np.ones((1, 10)), exact(1.0), exact(1.0))
    assert found.p == 1.0
    assert found.above == 0.5


def test_a_difference_matters_only_if_all_its_interval_does():
    low, high = np.array([1.2, -0.4, -0.4, -3.0, 1.2, -np.inf]), np.array([2.0, 0.9, 1.4, -1.1, np.inf, 0.5])
    assert comparison.matters(low, high, 1.0).tolist() == ["yes", "no", "unclear", "yes", "yes", "unclear"]
