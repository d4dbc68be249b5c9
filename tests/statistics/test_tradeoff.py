import numpy as np
import pytest

from speakerdb.statistics import tradeoff
from speakerdb.statistics.tradeoff import Known


def dominated(x, y, j, others):
    """The definition: another is at least as good in both and better in one."""
    return any(x[k] >= x[j] and y[k] >= y[j] and (x[k] > x[j] or y[k] > y[j]) for k in others if k != j)


def known(draws, below=(), above=()):
    open_below, open_above = np.zeros(len(draws), bool), np.zeros(len(draws), bool)
    open_below[list(below)], open_above[list(above)] = True, True
    return Known(draws, open_below, open_above)


@pytest.mark.parametrize("seed", range(8))
def test_the_frontier_equals_its_definition_ties_included(seed):
    random = np.random.default_rng(seed)
    x, y = (random.integers(0, 6, (25, 30)).astype(float) for _ in range(2))
    found = tradeoff.undominated(x, y)
    for b in range(30):
        assert found[:, b].tolist() == [not dominated(x[:, b], y[:, b], j, range(25)) for j in range(25)]


def test_equal_speakers_do_not_push_each_other_off():
    x, y = np.zeros((3, 1)), np.ones((3, 1))
    assert tradeoff.undominated(x, y).all()


@pytest.mark.parametrize("seed", range(4))
def test_censored_values_give_the_range_from_their_worst_to_their_best(seed):
    random = np.random.default_rng(seed)
    x, y = (random.integers(0, 8, (12, 20)).astype(float) for _ in range(2))
    kx, ky = known(x, below=[0]), known(y, above=[1, 5], below=[3])
    share, low, high = tradeoff.frontier_probability(kx, ky)
    for j in range(12):
        for found, own, others in ((low, "least", "most"), (high, "most", "least")):
            px, py = getattr(kx, others)().copy(), getattr(ky, others)().copy()
            px[j], py[j] = getattr(kx, own)()[j], getattr(ky, own)()[j]
            wanted = np.mean([not dominated(px[:, b], py[:, b], j, range(12)) for b in range(20)])
            assert found[j] == pytest.approx(wanted)
    assert (low <= share).all()
    assert (share <= high).all()


def test_the_price_to_undercut_is_that_of_the_cheapest_at_least_as_good():
    price, quality = np.array([300.0, 500.0, 900.0, 700.0]), np.array([1.0, 3.0, 4.0, 2.0])
    limit = -tradeoff.frontier_limit(-price[:, None] + np.zeros((4, 5)), quality[:, None] + np.zeros((4, 5)))
    assert limit.tolist() == [500.0, 900.0, np.inf, 500.0]
    tied = -tradeoff.frontier_limit(-price[:, None], np.array([[1.0], [1.0], [1.0], [0.0]]))
    assert tied.tolist() == [500.0, 300.0, 300.0, 300.0]


def test_the_expectation_is_that_of_a_fit_without_the_speaker():
    random = np.random.default_rng(1)
    x, groups = random.normal(size=30), random.integers(0, 3, 30)
    y = 1.0 + 2.0 * x + groups + random.normal(size=30)
    found = tradeoff.expectation(x, y, groups)
    for j in (0, 7, 29):
        rest = np.arange(30) != j
        matrix = np.column_stack([np.ones(30), x, groups == 1, groups == 2]).astype(float)
        beta, (sse,), *_ = np.linalg.lstsq(matrix[rest], y[rest])
        assert found.expected[j] == pytest.approx(matrix[j] @ beta)
        spread = sse / (29 - 4) * (1 + matrix[j] @ np.linalg.inv(matrix[rest].T @ matrix[rest]) @ matrix[j])
        # Student's t with 25 degrees of freedom, 97.5 %: 2.0595 (printed tables)
        assert found.high[j] - found.expected[j] == pytest.approx(2.0595 * np.sqrt(spread), rel=1e-4)


def test_five_per_cent_fall_outside_the_prediction_interval_by_chance():
    random = np.random.default_rng(2)
    outside = []
    for _ in range(60):
        x = random.normal(size=40)
        y = x + random.normal(size=40)
        found = tradeoff.expectation(x, y, np.zeros(40, int))
        outside.append(((y < found.low) | (y > found.high)).mean())
    assert np.mean(outside) == pytest.approx(0.05, abs=0.015)


def test_the_only_one_of_its_kind_has_no_expectation():
    random = np.random.default_rng(3)
    found = tradeoff.expectation(random.normal(size=10), random.normal(size=10), np.array([1, *[0] * 9]))
    assert np.isnan(found.expected[0])
    assert np.isfinite(found.expected[1:]).all()


def test_a_quantile_line_leaves_its_share_below():
    random = np.random.default_rng(4)
    x = random.normal(size=500)
    y = 2.0 * x + random.normal(size=500)
    a, b = tradeoff.quantile_line(x, y, 0.9)
    assert (y < a + b * x).mean() == pytest.approx(0.9, abs=0.005)
    assert b == pytest.approx(2.0, abs=0.2)
    assert a == pytest.approx(1.2816, abs=0.2)  # 90 % point of the normal law


def test_the_band_is_wider_where_makers_differ():
    random = np.random.default_rng(5)
    maker = np.repeat(np.arange(15), 8)
    x = random.normal(size=120)
    shared = random.normal(size=15)[maker]
    at = np.array([0.0])
    _, low, high = tradeoff.quantile_band(x, x + shared, 0.5, maker, at, np.random.default_rng(1))
    _, alone_low, alone_high = tradeoff.quantile_band(x, x + shared, 0.5, np.arange(120), at, np.random.default_rng(1))
    assert (high - low)[0] > 1.4 * (alone_high - alone_low)[0]
    assert tradeoff.quantile_band(x[:49], x[:49], 0.5, maker[:49], at, random) is None
