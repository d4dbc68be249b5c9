import numpy as np
import pytest

from speakerdb.statistics import regression
from speakerdb.statistics.regression import expected, independent, least_squares, quantile_line, reliability, theil_sen


def noisy_line(n=60, seed=1):
    random = np.random.default_rng(seed)
    x = random.uniform(5, 12, n)
    kind = random.integers(0, 3, n)
    y = 2.0 + 0.5 * x + kind + random.standard_normal(n)
    return y, np.column_stack([np.ones(n), x, kind == 1, kind == 2]).astype(float)


def test_expectation_leaves_the_row_itself_out():
    y, design = noisy_line()
    found = expected(y, design, np.ones(len(y), bool))
    for i in (0, 7, 33):
        others = np.arange(len(y)) != i
        fit = least_squares(y[others], design[others])
        s2 = float(fit.residual @ fit.residual) / (others.sum() - 4)
        lever = design[i] @ np.linalg.inv(design[others].T @ design[others]) @ design[i]
        half = 2.0040448 * np.sqrt(s2 * (1 + lever))  # t, 55 degrees of freedom, 97.5 % (table: 2.0040)
        assert found.value[i] == pytest.approx(design[i] @ fit.coefficient)
        assert found.high[i] - found.value[i] == pytest.approx(half, rel=1e-5)


def test_one_in_twenty_falls_outside_its_prediction_interval_by_chance():
    outside = []
    for seed in range(40):
        y, design = noisy_line(seed=seed)
        found = expected(y, design, np.ones(len(y), bool))
        outside.append(np.mean((y < found.low) | (y > found.high)))
    assert np.mean(outside) == pytest.approx(0.05, abs=0.02)


def test_the_only_one_of_its_kind_has_no_expectation_and_spoils_no_others():
    y, design = noisy_line()
    alone = np.zeros(len(y))
    alone[5] = 1.0
    found = expected(y, np.column_stack([design, alone]), np.ones(len(y), bool))
    assert np.isnan(found.value[5])
    assert np.isfinite(np.delete(found.value, 5)).all()
    used = np.ones(len(y), bool)
    used[5] = False  # a censored value that is the only one of its kind: the line knows no such kind
    assert np.isnan(expected(y, np.column_stack([design, alone]), used).value[5])


def test_rows_that_make_no_part_of_the_line_are_predicted_by_all_that_do():
    y, design = noisy_line()
    used = np.arange(len(y)) > 3
    found = expected(np.where(used, y, np.nan), design, used)
    fit = least_squares(y[used], design[used])
    assert found.value[:4] == pytest.approx(design[:4] @ fit.coefficient)
    assert np.isfinite(found.low[:4]).all()


def test_too_few_rows_expect_nothing():
    y, design = noisy_line(n=5)
    assert np.isnan(expected(y, design, np.ones(5, bool)).value).all()


def test_columns_that_say_the_same_are_found():
    _, design = noisy_line()
    assert independent(np.column_stack([design, design[:, 1] * 3 + 1])).tolist() == [True] * 4 + [False]
    with pytest.raises(ValueError, match="told apart"):
        least_squares(np.arange(60.0), np.column_stack([design, design[:, 1]]))
    with pytest.raises(ValueError, match="rows"):
        least_squares(np.ones(2), np.ones((2, 2)))


def test_a_makers_speakers_that_hang_together_widen_the_errors():
    random = np.random.default_rng(4)
    maker = np.repeat(np.arange(30), 10)
    x = np.repeat(random.standard_normal(30), 10)  # the same for all of a maker
    y = random.standard_normal(300) + np.repeat(random.standard_normal(30), 10)
    design = np.column_stack([np.ones(300), x])
    plain, clustered = least_squares(y, design), least_squares(y, design, maker)
    assert clustered.se[1] > 1.5 * plain.se[1]
    assert clustered.df == 29
    with pytest.raises(ValueError, match="one cluster"):
        least_squares(y, design, np.zeros(300))


def test_clustered_intervals_cover_the_truth():
    covered = 0
    for seed in range(300):
        random = np.random.default_rng(seed)
        maker = np.repeat(np.arange(20), random.integers(1, 8, 20))
        own, x = (
            random.standard_normal(20)[maker],
            random.standard_normal(20)[maker] + random.standard_normal(len(maker)),
        )
        y = 1.0 * x + own + random.standard_normal(len(maker))
        low, high = least_squares(y, np.column_stack([np.ones(len(x)), x]), maker).interval()
        covered += low[1] <= 1.0 <= high[1]
    assert covered / 300 == pytest.approx(0.94, abs=0.035)  # CR1 with twenty unequal clusters is a little short of 95 %


def test_measurement_error_in_x_is_told_as_reliability():
    random = np.random.default_rng(1)
    truth = random.standard_normal(2000)
    error = lambda sd: sd * random.standard_normal((2000, 400))  # noqa: E731
    measured = truth + 0.5 * random.standard_normal(2000)
    assert reliability(measured[:, None] + error(0.5)) == pytest.approx(1 / 1.25, abs=0.02)
    common = 3.0 * random.standard_normal(400)
    assert reliability(truth[:, None] + common) == pytest.approx(1.0)


def test_one_wild_speaker_hardly_moves_the_robust_slope():
    x = np.arange(30.0)
    y = 2 * x + np.random.default_rng(1).standard_normal(30)
    y[29] = 1000.0
    slope, low, high = theil_sen(x, y, np.random.default_rng(1))
    assert slope == pytest.approx(2.0, abs=0.1)
    assert low < 2.0 < high
    assert all(np.isnan(theil_sen(np.ones(5), np.arange(5.0), np.random.default_rng(1))))


def test_a_sample_of_the_pairs_gives_nearly_the_slope_of_all(monkeypatch):
    random = np.random.default_rng(2)
    x = random.integers(2000, 2025, 2500).astype(float)
    y = 0.1 * x + random.standard_normal(2500)
    some = theil_sen(x, y, np.random.default_rng(3))
    assert some == theil_sen(x, y, np.random.default_rng(3))
    monkeypatch.setattr(regression, "ALL_PAIRS_UP_TO", 3000)
    assert some == pytest.approx(theil_sen(x, y, np.random.default_rng(3)), abs=5e-4)


def test_a_quantile_line_leaves_its_share_below_and_weights_count_as_copies():
    random = np.random.default_rng(5)
    x = random.uniform(0, 5, 200)
    y = x + (1 + x) * random.exponential(1.0, 200)
    intercept, slope = quantile_line(x, y, 0.9)
    below = y < intercept + slope * x - 1e-9
    assert below.mean() == pytest.approx(0.9, abs=0.011)
    copies = random.integers(0, 3, 200)
    weighted = quantile_line(x, y, 0.9, copies[None].astype(float))
    assert np.ravel(weighted) == pytest.approx(np.ravel(quantile_line(np.repeat(x, copies), np.repeat(y, copies), 0.9)), rel=1e-6)  # fmt: skip
