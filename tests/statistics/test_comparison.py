import numpy as np
import pytest
from scipy.stats import norm

from speakerdb.statistics import comparison
from speakerdb.statistics.benches import Benches
from speakerdb.statistics.places import Scores, better, exact

WIDER = 1 + (1 + 1.96**2) / 1600  # standard deviations are known from 400 draws only (method:statistics#places)


def one(x, v, *, other=(np.nan,) * 3, word=""):
    """A value with its variance; other: (x, v, share) of a second branch; word: 'least' or 'most' for a bound."""
    return x, v, -np.inf if word == "most" else x, np.inf if word == "least" else x, *other


def differences(a, b, tau=0.0):
    """a − b, each from a bench of its own whose error has the variance tau."""
    columns = [np.array(pair, float) for pair in zip(a, b, strict=True)]
    benches = Benches(np.array([0, 1]), np.full(2, tau), np.eye(2))
    return comparison.differences(Scores(*columns, benches, np.zeros(2)), np.array([0]), np.array([1]))


def test_independent_errors_add_in_squares_and_p_follows_the_normal_law():
    found = differences(one(3.0, 0.36), one(1.0, 0.24), tau=0.2)
    assert found.difference == pytest.approx(2.0)
    assert found.d == pytest.approx(1.0)
    assert found.p == pytest.approx(2 * norm.sf(2.0 / WIDER), rel=1e-5)
    assert found.above == pytest.approx(norm.cdf(2.0 / WIDER), rel=1e-5)
    half = norm.ppf(0.975) * WIDER
    assert (found.low[0], found.high[0]) == (pytest.approx(2.0 - half, abs=1e-5), pytest.approx(2.0 + half, abs=1e-5))


@pytest.fixture(scope="module")
def crowd():
    """Values crowded about the least difference that can be told, one or two on either side, some of them bounds."""
    random, n = np.random.default_rng(5), 3000
    x = np.concatenate([random.uniform(-3.5, 3.5, n), np.zeros(n)])
    v = random.uniform(0.5, 2.0, 2 * n)
    share = np.where(random.random(2 * n) < 0.4, random.uniform(0.05, 0.5, 2 * n), np.nan)
    lower, upper = (np.where(random.random(2 * n) < 0.1, end, x) for end in (-np.inf, np.inf))
    scores = Scores(
        x,
        v,
        lower,
        np.where(np.isinf(lower), x, upper),
        x + random.normal(0, 3, 2 * n),
        random.uniform(0.5, 2.0, 2 * n),
        share,
        exact(x, v).benches,
        np.full(2 * n, 0.1),
    )
    return scores, np.arange(n), n + np.arange(n)


def test_interval_and_p_and_verdict_agree_however_close_it_is(crowd):
    found = comparison.differences(*crowd)
    outside = (found.low > 0) | (found.high < 0)
    assert 0.05 < outside.mean() < 0.6
    np.testing.assert_array_equal(outside, found.p < 0.05)
    np.testing.assert_array_equal(outside, found.differs)


def test_what_differs_is_what_places_take_as_better(crowd):
    scores, i, j = crowd
    found = comparison.differences(scores, i, j)
    np.testing.assert_array_equal(found.differs, better(scores, i, j).surely | better(scores, j, i).surely)
    sure = found.differs & np.isfinite(found.difference) & ~scores.branched[i] & ~scores.branched[j]
    np.testing.assert_array_equal(found.difference[sure] > 0, better(scores, j, i).surely[sure])


@pytest.mark.parametrize("both", [False, True])
def test_values_that_are_one_of_two_give_a_mixture_as_drawing_it_does(both):
    a = one(1.0, 0.04, other=(2.4, 0.09, 0.3))
    b = one(0.2, 0.05, other=(-1.0, 0.02, 0.1)) if both else one(0.2, 0.05)
    found = differences(a, b, tau=0.005)
    random, n = np.random.default_rng(8), 400_000
    drawn = np.where(random.random(n) < 0.3, random.normal(2.4, 0.3, n), random.normal(1.0, 0.2, n))
    other = random.normal(0.2, np.sqrt(0.05), n)
    if both:
        other = np.where(random.random(n) < 0.1, random.normal(-1.0, np.sqrt(0.02), n), other)
    drawn = drawn - other + random.normal(0, 0.1, n)
    # the branches' own spread is widened by 0.3 %, far below what can be seen here
    assert (found.low[0], found.high[0]) == pytest.approx(tuple(np.percentile(drawn, (2.5, 97.5))), abs=0.02)
    assert found.above[0] == pytest.approx((drawn > 0).mean(), abs=0.003)
    assert found.p[0] == pytest.approx(2 * min((drawn > 0).mean(), (drawn < 0).mean()), abs=0.004)


def test_a_branch_that_is_never_taken_changes_nothing():
    plain, mixed = (
        differences(one(3.0, 0.5, other=other), one(1.0, 0.3)) for other in ((np.nan,) * 3, (-9.0, 0.5, 0.0))
    )
    assert mixed.p == pytest.approx(plain.p)
    assert (mixed.low, mixed.high) == (pytest.approx(plain.low), pytest.approx(plain.high))


@pytest.mark.parametrize(
    ("a", "b", "low", "high", "sure"),
    [
        ((3.0, "least"), (1.0, ""), "closed", "open", True),  # a is at least 3, b is 1: surely above
        ((1.0, "least"), (3.0, ""), "closed", "open", False),  # a is at least 1, b is 3: says nothing
        ((3.0, ""), (1.0, "most"), "closed", "open", True),
        ((1.0, "most"), (3.0, ""), "open", "closed", True),
        ((1.0, "least"), (3.0, "least"), "open", "open", False),
    ],
)
def test_a_censored_difference_is_a_bound(a, b, low, high, sure):
    found = differences(*(one(x, 0.01, word=word) for x, word in (a, b)))
    assert np.isnan(found.difference).all()
    assert np.isnan(found.above).all()
    assert np.isfinite(found.low[0]) == (low == "closed")
    assert np.isfinite(found.high[0]) == (high == "closed")
    assert (found.p[0] < 0.01) == sure
    assert found.differs[0] == sure
    assert not (found.p[0] < 1.0) or sure


def test_no_error_and_no_difference_is_no_evidence():
    found = differences(one(1.0, 0.0), one(1.0, 0.0))
    assert found.p == 1.0
    assert found.above == 0.5


def test_of_equal_values_one_in_twenty_is_told_apart():
    random, n = np.random.default_rng(2), 20_000
    found = comparison.differences(exact(random.normal(0, 1, 2 * n), 1.0), np.arange(n), n + np.arange(n))
    assert found.differs.mean() == pytest.approx(0.05, abs=0.005)


def test_a_difference_matters_only_if_all_its_interval_does():
    low, high = np.array([1.2, -0.4, -0.4, -3.0, 1.2, -np.inf]), np.array([2.0, 0.9, 1.4, -1.1, np.inf, 0.5])
    assert comparison.matters(low, high, 1.0).tolist() == ["yes", "no", "unclear", "yes", "yes", "unclear"]
