"""The frontier against closed forms, its definition, and 40,000 plain draws."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from speakerdb.statistics.dominance import EVEN, fact, frontier

DRAWS = 40_000


def measured(value, se, *, other=None, shared=None, below=(), above=()):
    """other: row -> (value, se, share) of a second branch; shared (n, M); below, above: rows that are bounds."""
    value = np.asarray(value, float)
    branch = np.full((3, len(value)), np.nan)
    for row, one in (other or {}).items():
        branch[:, row] = one
    open_below, open_above = np.zeros(len(value), bool), np.zeros(len(value), bool)
    open_below[list(below)], open_above[list(above)] = True, True
    return replace(
        fact(value),
        se=np.broadcast_to(np.asarray(se, float), len(value)),
        other_value=branch[0],
        other_se=branch[1],
        other_share=branch[2],
        shared=np.zeros((len(value), 0)) if shared is None else np.asarray(shared, float),
        open_below=open_below,
        open_above=open_above,
    )


def drawn(known, random, count):
    """(n, count) plain draws, each speaker's on its own but for the shared errors."""
    found = np.empty((len(known.value), count))
    for j, (value, se) in enumerate(zip(known.value, known.se, strict=True)):
        found[j] = value + se * random.standard_normal(count)
        if np.isfinite(known.other_share[j]):
            second = known.other_value[j] + known.other_se[j] * random.standard_normal(count)
            found[j] = np.where(random.random(count) < known.other_share[j], second, found[j])
    return found + known.shared @ random.standard_normal((known.shared.shape[1], count))


def beaten(x, y, j, k):
    """The definition: k is at least as good in both and better in one."""
    return (x[k] >= x[j]) & (y[k] >= y[j]) & ((x[k] > x[j]) | (y[k] > y[j]))


def share_unbeaten(x, y, j, rivals):
    free = np.ones(np.shape(y)[1], bool)
    for k in rivals:
        if k != j:
            free &= ~beaten(x, y, j, k)
    return free.mean()


def by_draws(x, y, seed=1):
    random = np.random.default_rng(seed)
    xs, ys = drawn(x, random, DRAWS), drawn(y, random, DRAWS)
    return np.array([share_unbeaten(xs, ys, j, range(len(xs))) for j in range(len(xs))])


def a_field(n, se, seed, *, spread=0.4, branches=0, benches=0, tau=0.0):
    """A price to be low and a quality to be high that rises with it, with errors that differ by speaker."""
    random = np.random.default_rng(seed)
    price = np.round(2.0 ** random.uniform(7, 11, n), -1)
    quality = 0.75 * spread * np.log2(price) + spread * random.standard_normal(n)
    errors = se * np.exp(0.3 * random.standard_normal(n))
    other = {int(j): (quality[j] - 0.8, 2 * se, random.uniform(0.1, 0.5)) for j in random.permutation(n)[:branches]}
    shared = None
    if benches:
        shared = np.sqrt(tau) * (np.eye(benches) - np.eye(benches)[0])[random.integers(0, benches, n)]
    return fact(-price), measured(quality, errors, other=other, shared=shared), random


@pytest.mark.parametrize("value", [[6.0, 6.3, 5.0], [6.3, 6.0, 5.0]])
def test_of_several_rivals_at_the_price_the_best_is_named(value):
    found = frontier(fact(np.array([-300.0, -300.0, -400.0])), measured(value, 0.3))
    assert found.beaten_from[2] == -300.0
    assert value[found.beaten_by[2]] == 6.3


@pytest.mark.parametrize("more", [0, 30])
def test_a_rival_that_may_lie_lower_beats_no_oftener_than_it_lies_above(more):
    # six times of ten the cheaper is at 6, else at 2; the dearer at 4; whoever else there is, is far below both
    y = measured([6.0, 4.0, *[-50.0 - k for k in range(more)]], 0.01, other={0: (2.0, 0.01, 0.4)})
    price = fact(-np.array([300.0, 400.0, *[500.0 + k for k in range(more)]]))
    assert frontier(price, y).p[1] == pytest.approx(0.4, abs=0.002)
    x = measured(price.value, 1e-6)  # the same where the price is measured
    assert frontier(x, y).p[1] == pytest.approx(0.4, abs=0.002)


def test_of_two_speakers_the_dearer_is_on_the_frontier_as_often_as_it_is_better():
    y = measured([1.0, 1.5], [0.3, 0.4])
    found = frontier(fact(np.array([-300.0, -400.0])), y)
    assert found.p[0] == 1.0
    assert found.p[1] == pytest.approx(norm.cdf(0.5 / 0.5), abs=0.001)


def test_of_two_speakers_measured_in_both_one_is_beaten_where_the_other_is_better_in_both():
    x, y = measured([0.0, 0.2], 0.2), measured([1.0, 0.9], 0.3)
    found = frontier(x, y)
    second_ahead = norm.cdf(0.2 / (0.2 * np.sqrt(2))) * norm.cdf(-0.1 / (0.3 * np.sqrt(2)))
    first_ahead = norm.cdf(-0.2 / (0.2 * np.sqrt(2))) * norm.cdf(0.1 / (0.3 * np.sqrt(2)))
    assert found.p == pytest.approx([1 - second_ahead, 1 - first_ahead], abs=0.002)


def test_of_equals_the_i_th_in_price_is_on_the_frontier_once_in_i():
    found = frontier(fact(-np.arange(100.0, 112.0)), measured(np.full(12, 5.0), 0.7))
    assert found.p == pytest.approx(1.0 / np.arange(1, 13), abs=0.002)
    # even odds are no worse than even: the third is the first that is more likely beaten
    assert (-found.beaten_from[:4]).tolist() == [102.0, 102.0, 101.0, 101.0]


@pytest.mark.parametrize("n", [2, 7, 40])
def test_of_equals_at_one_price_each_is_the_best_equally_often(n):
    found = frontier(fact(np.full(n, -500.0)), measured(np.zeros(n), 1.0))
    assert found.p == pytest.approx(np.full(n, 1.0 / n), abs=0.002)


def test_one_speaker_and_none():
    one = frontier(fact(np.array([-500.0])), measured([6.0], 0.3))
    assert (one.p.tolist(), one.beaten_from.tolist(), one.beaten_by.tolist()) == ([1.0], [-np.inf], [-1])
    assert len(frontier(fact(np.zeros(0)), measured([], [])).p) == 0


@pytest.mark.parametrize(("se", "branches"), [(0.02, 0), (0.15, 0), (0.15, 8), (0.6, 8)])
def test_a_fact_and_a_measured_property_agree_with_plain_draws(se, branches):
    x, y, _ = a_field(30, se, 3, branches=branches)
    assert np.abs(frontier(x, y).p - by_draws(x, y)).max() < 0.01


@pytest.mark.parametrize(("se", "branches"), [(0.03, 0), (0.15, 8), (0.6, 0)])
def test_two_measured_properties_agree_with_plain_draws(se, branches):
    x, y, random = a_field(30, se, 4, branches=branches)
    x = measured(-np.log2(-x.value), se * np.exp(0.3 * random.standard_normal(30)))
    found = frontier(x, y)
    assert np.abs(found.p - by_draws(x, y)).max() < 0.01
    assert np.isnan(found.beaten_from).all()


@pytest.mark.parametrize(("benches", "tau"), [(2, 0.02), (2, 0.3), (3, 0.05)])
def test_errors_that_a_bench_gives_all_its_values_agree_with_plain_draws(benches, tau):
    x, y, _ = a_field(30, 0.1, 5, spread=0.15, benches=benches, tau=tau)
    found = frontier(x, y).p
    assert np.abs(found - by_draws(x, y)).max() < 0.01
    apart = frontier(x, replace(y, se=np.hypot(y.se, np.sqrt((y.shared**2).sum(axis=1))), shared=np.zeros((30, 0))))
    assert np.abs(found - apart.p).max() > 0.02  # that they are shared is to be seen


def test_benches_behind_both_measured_properties_agree_with_plain_draws():
    x, y, random = a_field(30, 0.1, 6, benches=2, tau=0.02)
    x = replace(measured(-np.log2(-x.value), 0.1), shared=0.15 * random.integers(0, 2, (30, 1)).astype(float))
    assert np.abs(frontier(x, y).p - by_draws(x, y)).max() < 0.015


def test_a_small_error_of_a_bench_counts_as_well():
    y = measured([0.0, 1.0], 0.5, shared=[[0.0], [0.095]])
    found = frontier(fact(np.array([-1.0, -2.0])), y)
    assert found.p[1] == pytest.approx(norm.cdf(1.0 / np.sqrt(2 * 0.5**2 + 0.095**2)), abs=0.0006)


def test_an_error_that_all_share_changes_nothing():
    x, y, _ = a_field(30, 0.15, 7)
    alone = frontier(x, y)
    together = frontier(x, replace(y, shared=np.full((30, 1), 0.8)))
    assert together.p == pytest.approx(alone.p, abs=0.01)


def test_the_surely_beaten_keep_no_one_off():
    x, y, random = a_field(20, 0.1, 8)
    beaten_x = x.value[random.integers(0, 20, 300)] - 50.0
    weak = np.array([y.value[x.value >= at].max() for at in beaten_x]) - random.uniform(1.0, 3.0, 300)
    more = frontier(
        fact(np.append(x.value, beaten_x)), measured(np.append(y.value, weak), np.append(y.se, np.full(300, 0.1)))
    )
    assert more.p[:20] == pytest.approx(frontier(x, y).p, abs=0.002)
    assert (more.p[20:] == 0).all()


@pytest.mark.parametrize("seed", range(6))
def test_two_facts_follow_the_definition_ties_included(seed):
    random = np.random.default_rng(seed)
    x, y = (random.integers(0, 6, 25).astype(float) for _ in range(2))
    found = frontier(fact(x), fact(y))
    for j in range(25):
        assert found.p[j] == (not any(beaten(x, y, j, k) for k in range(25) if k != j))
        as_good = [x[k] for k in range(25) if k != j and y[k] >= y[j]]
        assert found.beaten_from[j] == max(as_good, default=-np.inf)
        if as_good:
            k = found.beaten_by[j]
            assert (k != j, x[k], y[k] >= y[j]) == (True, max(as_good), True)


@pytest.mark.parametrize("swap", [False, True])
def test_which_of_the_two_is_the_fact_does_not_matter(swap):
    x, y, _ = a_field(25, 0.2, 9, branches=5)
    assert frontier(y, x).p == pytest.approx(frontier(x, y).p, abs=1e-12)
    assert np.isnan(frontier(y, x).beaten_from).all()


@pytest.mark.parametrize(("se", "branches", "benches"), [(0.05, 0, 0), (0.3, 0, 0), (0.2, 10, 0), (0.2, 0, 2)])
def test_it_is_beaten_from_the_first_rivals_price_at_which_fewer_than_half_of_plain_draws_leave_it(
    se, branches, benches
):
    x, y, _ = a_field(30, se, 11, branches=branches, benches=benches, tau=0.02)
    found, draws, close = frontier(x, y), drawn(y, np.random.default_rng(2), DRAWS), 0
    for j in range(30):
        at, before = -np.inf, 1.0
        for price in sorted(set(np.delete(x.value, j)), reverse=True):
            share = share_unbeaten(
                np.where(np.arange(30) == j, price, x.value), draws, j, np.flatnonzero(x.value >= price)
            )
            close += abs(share - 0.5) < 0.02
            if share < 0.5:
                at = price
                break
            before = share
        if abs(before - 0.5) < 0.02 or (at > -np.inf and abs(share - 0.5) < 0.02):
            continue  # draws can't tell
        assert found.beaten_from[j] == at
        if at > -np.inf:
            assert x.value[found.beaten_by[j]] == at
            assert found.beaten_by[j] != j
    assert close < 10


def test_whoever_stands_at_or_beyond_the_price_it_is_beaten_from_is_less_than_even():
    x, y, _ = a_field(60, 0.3, 12, branches=10)
    found = frontier(x, y)
    assert ((found.p < EVEN) == (x.value <= found.beaten_from)).all()
    assert 3 <= (found.p >= EVEN).sum() <= 30


@pytest.mark.parametrize("exact_x", [True, False])
def test_bounds_give_the_range_from_their_worst_to_their_best_for_the_speaker(exact_x):
    x, y, random = a_field(12, 0.2, 13)
    if not exact_x:
        x = measured(-np.log2(-x.value), 0.2, below=[2])
    y = replace(y, open_above=np.isin(np.arange(12), [1, 5]), open_below=np.isin(np.arange(12), [3]))
    found = frontier(x, y)
    xs, ys = drawn(x, random, DRAWS), drawn(y, random, DRAWS)

    def ends(draws, known, worst):
        of = draws.copy()
        of[known.open_below if worst else known.open_above] = -np.inf if worst else np.inf
        return of

    for j in range(12):
        for told, own_worst in ((found.low, True), (found.high, False)):
            px, py = ends(xs, x, not own_worst), ends(ys, y, not own_worst)
            px[j], py[j] = ends(xs, x, own_worst)[j], ends(ys, y, own_worst)[j]
            assert told[j] == pytest.approx(share_unbeaten(px, py, j, range(12)), abs=0.01)
    assert (found.low <= found.p).all()
    assert (found.p <= found.high).all()


def test_where_a_bound_decides_the_price_it_is_beaten_from_is_not_one():
    # the cheapest may be the best of all, or as it stands: of the others, the second hangs on that, the third is beaten
    # by the second too
    found = frontier(fact(np.array([-100.0, -300.0, -500.0])), measured([50.0, 60.0, 55.0], 0.1, above=[0]))
    assert (found.beaten_low[1], found.beaten_high[1]) == (-100.0, -np.inf)
    assert (found.beaten_low[2], found.beaten_high[2]) == (-100.0, -300.0)
    assert (found.low[2], found.high[2]) == (0.0, 0.0)


def test_a_value_without_error_stands_among_values_with():
    found = frontier(fact(np.array([-1.0, -2.0])), measured([1.0, 1.2], [0.0, 0.2]))
    assert found.p[1] == pytest.approx(norm.cdf(1.0), abs=0.003)
