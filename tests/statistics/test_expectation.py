import numpy as np
import pytest

from speakerdb.statistics import expectation


def test_the_expectation_is_that_of_a_fit_without_the_speaker():
    random = np.random.default_rng(1)
    x, groups = random.normal(size=30), random.integers(0, 3, 30)
    y = 1.0 + 2.0 * x + groups + random.normal(size=30)
    found = expectation.expectation(x, y, groups)
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
        found = expectation.expectation(x, y, np.zeros(40, int))
        outside.append(((y < found.low) | (y > found.high)).mean())
    assert np.mean(outside) == pytest.approx(0.05, abs=0.015)


def test_the_only_one_of_its_kind_has_no_expectation():
    random = np.random.default_rng(3)
    found = expectation.expectation(random.normal(size=10), random.normal(size=10), np.array([1, *[0] * 9]))
    assert np.isnan(found.expected[0])
    assert np.isfinite(found.expected[1:]).all()


@pytest.mark.parametrize(("groups", "known"), [([0, 0, 1, 1], False), ([0, 0, 1, 1, 1], True)])
def test_without_a_degree_of_freedom_left_nothing_is_expected(groups, known):
    n = len(groups)  # constant, slope and a group, and the speaker left out: four
    random = np.random.default_rng(8)
    found = expectation.expectation(random.normal(size=n), random.normal(size=n), np.array(groups))
    for part in (found.expected, found.low, found.high):
        assert np.isfinite(part).all() == known
        assert np.isnan(part).all() != known
    alike = expectation.expectation(np.ones(8), random.normal(size=8), np.zeros(8, int))
    assert np.isnan(alike.expected).all()  # no slope without a spread


def test_a_quantile_line_leaves_its_share_below():
    random = np.random.default_rng(4)
    x = random.normal(size=500)
    y = 2.0 * x + random.normal(size=500)
    a, b = expectation.quantile_line(x, y, 0.9)
    assert (y < a + b * x).mean() == pytest.approx(0.9, abs=0.005)
    assert b == pytest.approx(2.0, abs=0.2)
    assert a == pytest.approx(1.2816, abs=0.2)  # 90 % point of the normal law


def test_the_band_is_wider_where_makers_differ():
    random = np.random.default_rng(5)
    maker = np.repeat(np.arange(15), 8)
    x = random.normal(size=120)
    shared = random.normal(size=15)[maker]
    at = np.array([0.0])
    _, low, high = expectation.quantile_band(x, x + shared, 0.5, maker, at, np.random.default_rng(1))
    _, alone_low, alone_high = expectation.quantile_band(
        x, x + shared, 0.5, np.arange(120), at, np.random.default_rng(1)
    )
    assert (high - low)[0] > 1.4 * (alone_high - alone_low)[0]
    assert expectation.quantile_band(x[:49], x[:49], 0.5, maker[:49], at, random) is None


@pytest.mark.parametrize(
    ("n", "makers", "tau", "resamples"),
    [(72, 72, 0.9, 2000), (72, 12, 0.5, 2000), (72, 6, 0.1, 2000), (3000, 300, 0.9, 200), (3000, 8, 0.9, 200)],
)
def test_the_band_is_that_of_lines_laid_one_by_one_through_resamples_of_whole_makers(
    n, makers, tau, resamples, monkeypatch
):
    monkeypatch.setattr(expectation, "BOOTSTRAPS", resamples)
    random = np.random.default_rng(6)
    maker = np.arange(n) % makers
    x = random.normal(size=n)
    y = x + random.standard_t(4, size=n) + random.normal(size=makers)[maker]
    at = np.array([-1.5, 0.0, 2.0])
    line, low, high = expectation.quantile_band(x, y, tau, [f"{m:03}" for m in maker], at, np.random.default_rng(7))
    drawn = np.random.default_rng(7).integers(0, makers, (resamples, makers))
    fits = []
    for one in drawn:
        rows = np.concatenate([np.flatnonzero(maker == m) for m in one])
        a, b = expectation.quantile_line(x[rows], y[rows], tau, 1e-6)
        fits.append(a + b * at)
    wanted_low, wanted_high = np.percentile(fits, (2.5, 97.5), axis=0)
    assert low == pytest.approx(wanted_low, abs=0.01 * np.min(wanted_high - wanted_low))
    assert high == pytest.approx(wanted_high, abs=0.01 * np.min(wanted_high - wanted_low))
    a, b = expectation.quantile_line(x, y, tau)
    assert line == pytest.approx(a + b * at)


def test_what_all_have_in_common_has_a_band_of_no_width():
    x = np.linspace(0.0, 1.0, 60)
    line, low, high = expectation.quantile_band(
        x, 3.0 + 2.0 * x, 0.9, ["a", "b", "c"] * 20, np.array([0.0, 1.0]), np.random.default_rng(1)
    )
    assert [line, low, high] == [pytest.approx([3.0, 5.0], abs=1e-6)] * 3
