from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from speakerdb.statistics.permutation import PERMUTATIONS, permuted
from tests.statistics.makers import market


def test_p_comes_near_that_of_all_arrangements():
    value = np.array([3.0, 1.0, 4.0, 1.5, 9.0, 2.6, 5.3, 5.8])
    maker = np.array([0, 0, 0, 1, 1, 1, 2, 2])
    group = np.array([1, 0, 0, 0, 1, 0, 0, 1])

    def apart(labels):
        parts = [(value[m & (labels == 1)], value[m & (labels == 0)]) for m in (maker == k for k in range(3))]
        return abs(sum(len(a) * (a.mean() - b.mean()) for a, b in parts))

    every = [
        apart(np.array([*a, *b, *c]))
        for a in permutations(group[:3])
        for b in permutations(group[3:6])
        for c in permutations(group[6:])
    ]
    exact = np.mean(np.array(every) >= apart(group) - 1e-9)
    found = permuted(value, value, group, maker, np.random.default_rng(1))
    assert found.p == pytest.approx([exact, exact], abs=4 * np.sqrt(exact * (1 - exact) / PERMUTATIONS))
    assert found.makers.tolist() == [3, 3]


def test_all_groups_alike_is_the_rank_test_of_kruskal_and_wallis_on_ranks_within_makers():
    random = np.random.default_rng(2)
    group, maker = np.tile(np.repeat([0, 1, 2], 8), 3), np.repeat([0, 1, 2], 24)
    value = random.normal(size=72) + 0.4 * group
    rank = np.concatenate([stats.rankdata(value[maker == k]) for k in range(3)])
    found = permuted(rank, rank, group, maker, random)
    # three makers with 8 of each group: sums about their expectation, ranks of variance n(n + 1)/12, two degrees of
    # freedom
    sums = np.array([rank[group == k].sum() - 3 * 8 * 12.5 for k in range(3)])
    chi = (sums**2).sum() / (3 * 8 * 24 * 25 / 12)
    assert found.p_all == pytest.approx(stats.chi2.sf(chi, 2), abs=0.015)


def test_what_a_maker_gives_to_all_it_makes_is_no_difference_between_groups():
    random = np.random.default_rng(3)
    maker = np.repeat(np.arange(6), 6)
    group = np.where(maker < 3, np.arange(36) % 6 < 4, np.arange(36) % 6 < 2).astype(int)
    value = 100.0 * (maker < 3) + random.normal(size=36)
    found = permuted(value, value, group, maker, random)
    assert stats.ttest_ind(value[group == 1], value[group == 0]).pvalue < 0.05
    assert found.p[1] > 0.1


def test_makers_that_hold_one_kind_say_nothing_and_two_that_hold_both_are_too_few():
    random = np.random.default_rng(4)
    maker, group = np.repeat(np.arange(5), 4), np.array([0, 0, 1, 1] * 2 + [1] * 4 + [2] * 8)
    found = permuted(random.normal(size=20), random.normal(size=20), group, maker, random)
    assert found.makers.tolist() == [2, 2, 0]
    assert np.isnan(found.p).all()
    assert np.isnan(found.p_all)


def test_a_real_difference_is_found():
    random = np.random.default_rng(5)
    y, maker, member = market(random, 10, 80, 0.5)
    found = permuted(y + 1.5 * member, y + 1.5 * member, member.astype(int), maker, random)
    assert found.p.max() < 0.01
    assert found.p_all < 0.01


def false_alarms(random, makers, alike, runs):
    """Shares of fields without any difference in which p < 0.05: one group, all of four groups."""
    one = every = told = 0
    for _ in range(runs):
        y, maker, member = market(random, makers, 5 * makers, alike)
        group = np.where(member, 0, random.integers(1, 4, len(y)))
        found = permuted(y, y, np.unique(group, return_inverse=True)[1], maker, random)
        if np.isnan(found.p[0]):
            continue
        told, one, every = told + 1, one + bool(found.p[0] <= 0.05), every + bool(found.p_all <= 0.05)
    return one / told, every / told


def test_false_alarms_are_few_where_makers_are_alike_within_themselves():
    for share in false_alarms(np.random.default_rng(6), 10, 0.7, 300):
        assert 0.02 <= share <= 0.085


@pytest.mark.slow
@pytest.mark.parametrize("alike", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("makers", [8, 15, 30])
def test_three_to_six_of_100_fields_give_a_false_alarm(makers, alike):
    for share in false_alarms(np.random.default_rng(7), makers, alike, 2000):
        assert 0.03 <= share <= 0.06
