import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speakerdb.statistics.frontier import Ends, frontier_limit, frontier_probability, on_frontier

points = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=14)


def beaten(i, own, others):
    """The definition: somebody else is at least as good in both and better in one."""
    return any(
        k != i and p[0] >= own[0] and p[1] >= own[1] and (p[0] > own[0] or p[1] > own[1]) for k, p in enumerate(others)
    )


@given(points)
def test_the_frontier_is_those_that_nobody_beats(field):
    x, y = (np.array([p[i] for p in field], float) for i in (0, 1))
    assert on_frontier(x, y).tolist() == [not beaten(i, p, field) for i, p in enumerate(field)]


@given(points, st.integers(0, 2**32 - 1))
def test_censored_speakers_stand_at_their_worst_and_best(field, seed):
    random = np.random.default_rng(seed)
    n = len(field)
    x, y = (np.array([p[i] for p in field], float)[:, None] for i in (0, 1))
    open_above, open_below = random.random(n) < 0.3, random.random(n) < 0.2
    lower, upper = np.where(open_below, -np.inf, y[:, 0]), np.where(open_above, np.inf, y[:, 0])
    low, high = frontier_probability(Ends.of(x, x[:, 0], x[:, 0]), Ends.of(y, lower, upper))
    worst, best = list(zip(x[:, 0], lower, strict=True)), list(zip(x[:, 0], upper, strict=True))
    # an unknown end is infinitely bad or good; two unknown ends tie
    assert low.tolist() == [float(not beaten(i, worst[i], best)) for i in range(n)]
    assert high.tolist() == [float(not beaten(i, best[i], worst)) for i in range(n)]


def test_probability_is_the_share_of_draws_and_shared_errors_cancel():
    random = np.random.default_rng(1)
    shared = 5.0 * random.standard_normal(4000)
    y = np.stack([shared, shared + 1.0])
    x = np.zeros(2)
    low, high = frontier_probability(Ends.of(np.zeros((2, 4000)), x, x), Ends.of(y, np.array([0.0, 1.0]), np.array([0.0, 1.0])))  # fmt: skip
    assert low.tolist() == high.tolist() == [0.0, 1.0]
    y = random.standard_normal((2, 4000))
    low, _ = frontier_probability(Ends.of(np.zeros((2, 4000)), x, x), Ends.of(y, x, x))
    assert low == pytest.approx([0.5, 0.5], abs=0.03)  # equals at the same price: one of them is beaten


def test_below_the_cheapest_better_one_a_speaker_would_be_on_the_frontier():
    price, quality = np.array([100.0, 400.0, 300.0, 900.0]), np.array([[1.0], [2.0], [3.0], [3.0]])
    limit = -frontier_limit(-price, quality)[:, 0]
    assert limit.tolist() == [300.0, 300.0, np.inf, np.inf]
    for i, at_most in enumerate(limit):
        for asked, wanted in ((at_most * 0.99, True), (at_most * 1.01, False)):
            if np.isfinite(asked):
                moved = price.copy()
                moved[i] = asked
                assert on_frontier(-moved, quality[:, 0])[i] == wanted
