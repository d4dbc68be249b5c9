import numpy as np
import pytest

from speakerdb.statistics.branches import branches


def spread_about(value, seed=1, octaves=0.05, count=400):
    return value * 2.0 ** (octaves * np.random.default_rng(seed).standard_normal(count))


@pytest.mark.parametrize("octaves", [0.001, 0.05, 0.5])
def test_one_group_of_draws_is_never_taken_for_two(octaves):
    assert all(branches(spread_about(50.0, seed, octaves)) is None for seed in range(300))


def test_long_tails_are_no_second_group():
    for seed in range(100):
        tail = np.abs(np.random.default_rng(seed).standard_cauchy(400))
        assert branches(40.0 * 2.0 ** np.minimum(0.05 * tail, 3.0)) is None


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_limit_that_jumps_is_told_with_both_places(share):
    upper = np.random.default_rng(2).random(400) < share
    found = branches(np.where(upper, spread_about(200.0), spread_about(40.0, 3)))
    assert found is not None
    assert found.lower == pytest.approx(40.0, rel=0.02)
    assert found.upper == pytest.approx(200.0, rel=0.02)
    assert found.upper_share == pytest.approx(upper.mean())


def test_a_few_stray_draws_are_no_branch():
    draws = spread_about(40.0)
    draws[:10] = 200.0
    assert branches(draws) is None


def test_missing_draws_tell_nothing():
    assert branches(np.full(400, np.nan)) is None
    assert branches(np.array([1.0, 2.0])) is None
