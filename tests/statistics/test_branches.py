"""Draws of a value that is one of two fall into two groups, and those of a value that is not never do
(method:statistics#one-of-two-values)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from speakerdb.statistics.branches import LEAST_GAP_OCT, branches


def octaves(value_hz, seed=1, sd=0.05, count=400):
    """Draws about a limit in log2 Hz."""
    return np.log2(value_hz) + sd * np.random.default_rng(seed).standard_normal(count)


@pytest.mark.parametrize("sd", [0.001, 0.05, 0.5])
def test_one_group_of_draws_is_never_taken_for_two(sd):
    assert all(branches(octaves(50.0, seed, sd), LEAST_GAP_OCT) is None for seed in range(300))


@pytest.mark.parametrize("tail", [lambda r: r.standard_t(3, 400), lambda r: r.exponential(1.0, 400)])
def test_long_tails_are_no_second_group(tail):
    found = [branches(tail(np.random.default_rng(seed)), 0.01) for seed in range(500)]
    assert sum(f is not None for f in found) <= 5  # one in a hundred


@pytest.mark.parametrize("share", [0.03, 0.1, 0.5, 0.9, 0.97])
def test_a_limit_that_jumps_is_told_with_both_places(share):
    upper = np.arange(400) < round(400 * share)
    found = branches(np.where(upper, octaves(200.0), octaves(40.0, 3)), LEAST_GAP_OCT)
    assert found is not None
    for branch, hz, part in zip(found, (40.0, 200.0), (1.0 - share, share), strict=True):
        few = 4 * 0.05 / np.sqrt(400 * part)  # four standard errors
        assert branch.share == pytest.approx(part)
        assert branch.median == pytest.approx(np.log2(hz), abs=1.3 * few)
        assert branch.sd == pytest.approx(0.05, abs=few)
        assert branch.low < branch.median < branch.high


@pytest.mark.parametrize("sd", [0.01, 0.1])
def test_each_branch_has_the_interval_of_its_own_draws(sd):
    quantiles = stats.norm.ppf((np.arange(200) + 0.5) / 200)  # normal draws without luck
    lower, upper = branches(np.concatenate([5.0 + sd * quantiles, 8.0 + 2 * sd * quantiles]), LEAST_GAP_OCT)
    for branch, middle, spread in ((lower, 5.0, sd), (upper, 8.0, 2 * sd)):
        assert branch.median == pytest.approx(middle)
        assert branch.low == pytest.approx(middle - 1.96 * spread, abs=0.05 * spread)
        assert branch.high == pytest.approx(middle + 1.96 * spread, abs=0.05 * spread)


def test_a_few_stray_draws_are_no_branch():
    draws = octaves(40.0)
    draws[:7] = np.log2(200.0)  # 2 % would be 8
    assert branches(draws, LEAST_GAP_OCT) is None


def test_two_groups_closer_than_what_counts_are_one():
    draws = np.concatenate([octaves(40.0, 1, 0.001, 200), octaves(40.0, 2, 0.001, 200) + 0.08])
    assert branches(draws, LEAST_GAP_OCT) is None
    assert branches(draws, 0.05) is not None


def test_missing_draws_tell_nothing():
    assert branches(np.full(400, np.nan), 0.1) is None
    assert branches(np.array([1.0, 2.0]), 0.1) is None
    holed = np.where(np.arange(400) % 10 == 0, np.nan, np.where(np.arange(400) < 200, octaves(40.0), octaves(200.0)))
    found = branches(holed, LEAST_GAP_OCT)
    assert found is not None
    assert found[0].share == pytest.approx(0.5)
