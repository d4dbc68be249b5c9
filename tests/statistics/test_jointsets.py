from dataclasses import replace

import numpy as np
import pytest

from speakerdb.statistics.benches import Benches
from speakerdb.statistics.jointsets import critical_value, largest_difference, order_statistic
from speakerdb.statistics.places import CRITICAL, better, exact, place_of, places
from tests.statistics.place_fields import TWO_BENCHES


def unlike(seed: int, count: int = 40):
    """Draws of heavy tails, skew and unequal variances: equality must not rest on the errors being normal."""
    random = np.random.default_rng(seed)
    draws = random.standard_gamma(1.5, (count, 400)) * random.uniform(0.05, 1.0, count)[:, None]
    return exact(random.normal(0, 3, count).round(1), draws.var(axis=1)), draws


@pytest.mark.parametrize("seed", range(5))
def test_the_largest_difference_is_that_of_every_pair_in_every_draw(seed):
    scores, draws = unlike(seed)
    order = np.argsort(scores.v, kind="stable")
    deviation = (draws - draws.mean(axis=1, keepdims=True)).astype(np.float32)[order]
    v = scores.v[order]
    ratio = np.abs(deviation[:, None].astype(float) - deviation[None]) / np.sqrt(v[:, None] + v)[:, :, None]
    assert np.allclose(largest_difference(deviation, v), ratio.max(axis=(0, 1)))


def test_the_critical_value_is_the_381st_of_400_with_the_allowance_for_estimated_variances():
    # ⌈0.95·401⌉ = 381; of p = 2 the largest difference is that of the one pair
    random = np.random.default_rng(3)
    draws = random.laplace(size=(2, 400))
    v = draws.var(axis=1)
    about = draws - draws.mean(axis=1, keepdims=True)
    c = np.sort(np.abs(about[0] - about[1]))[380] / np.sqrt(v.sum())
    assert critical_value(exact([0.0, 1.0], v), draws) == pytest.approx(c * (1 + (c**2 - 1) / 1600), rel=1e-6)
    assert order_statistic(np.arange(400.0)[::-1]) == 380.0


def test_what_one_bench_gives_all_alike_changes_no_joint_set():
    scores, draws = unlike(4)
    alone = critical_value(scores, draws)
    felt = Benches(np.zeros(len(scores), np.int64), np.full(len(scores), 2.0), np.zeros((1, 1)))
    assert critical_value(replace(scores, benches=felt), draws) == alone


def test_joint_places_hold_those_of_pairs():
    scores, draws = unlike(1)
    each, joint = places(scores), places(scores, critical_value(scores, draws))
    assert (joint.low <= each.low).all()
    assert (joint.high >= each.high).all()
    assert (joint.high - joint.low).sum() > (each.high - each.low).sum()


def test_one_speakers_joint_place_is_its_row_of_all():
    scores, draws = unlike(2)
    critical = critical_value(scores, draws)
    every = places(scores, critical)
    for row in range(len(scores)):
        one = place_of(scores, row, critical)
        assert (one.rank, one.low, one.high) == (every.rank[row], every.low[row], every.high[row])


def test_values_that_are_one_of_two_do_not_blow_up_the_sets_of_the_others():
    # in one draw of ten one of them lies 30 errors off; taken as they are they would make c about 30/√2
    random = np.random.default_rng(5)
    draws = random.standard_normal((60, 400))
    for row in range(5):
        draws[row, 8 * row : 8 * row + 8] += 30.0
    plain = exact(np.arange(60.0), 1.0)
    two = np.arange(60) < 5
    other_x, other_v, share = (np.where(two, a, np.nan) for a in (plain.x + 30.0, 1.0, 0.02))
    branched = replace(plain, other_x=other_x, other_v=other_v, other_share=share)
    assert critical_value(plain, draws) > 15.0
    assert critical_value(branched, draws) == pytest.approx(
        critical_value(plain, random.standard_normal((60, 400))), rel=0.1
    )


def test_only_the_law_of_the_draws_counts_not_their_size_or_centre():
    # a statement that holds more errors than were drawn has a larger variance, not a smaller critical value
    scores, draws = unlike(9)
    assert critical_value(scores, 0.3 * draws + 7.0) == pytest.approx(critical_value(scores, draws), rel=1e-5)


def test_the_order_of_the_rows_changes_nothing():
    scores, draws = unlike(6)
    share = np.where(np.arange(40) % 7 == 0, 0.3, np.nan)
    two = replace(scores, other_x=scores.x + 9.0, other_v=scores.v, other_share=share)
    order = np.random.default_rng(1).permutation(40)
    assert critical_value(two.take(order), draws[order]) == pytest.approx(critical_value(two, draws), rel=1e-12)


@pytest.mark.parametrize("count", [6, 30])
def test_the_errors_that_benches_share_do_not_make_the_largest_difference_larger(count):
    # the definition with the errors of two benches drawn, against the critical value that leaves them out
    random = np.random.default_rng(count)
    v, tau = np.exp(random.normal(0, 1, count)), np.exp(random.normal(0, 1, count))
    benches = Benches(np.arange(count) % 3, tau, TWO_BENCHES)
    scores = exact(np.zeros(count), v, 0.0, benches)
    draws = np.sqrt(v)[:, None] * random.standard_normal((count, 20_000))
    shared = TWO_BENCHES @ random.standard_normal((2, 20_000))
    j, k = np.triu_indices(count, 1)
    largest = np.zeros(20_000)
    for a, b in zip(j, k, strict=True):
        between = np.sqrt(0.5 * (tau[a] + tau[b])) * (shared[a % 3] - shared[b % 3])
        d = np.sqrt(v[a] + v[b] + benches.variance(a, b))
        largest = np.maximum(largest, np.abs(draws[a] - draws[b] + between) / d)
    assert (largest > critical_value(scores, draws)).mean() <= 0.053  # 0.05 and two standard errors


def test_fields_of_one_or_none_have_joint_places():
    one = exact([1.0], [1.0])
    assert critical_value(one, np.ones((1, 400))) == CRITICAL
    assert places(one, 4.0).high.tolist() == [1]
    assert len(places(exact([], []), 4.0).rank) == 0


def test_what_is_sure_for_all_together_is_sure_for_a_pair():
    scores, draws = unlike(8)
    j, k = np.arange(40)[:, None], np.arange(40)[None, :]
    joint = better(scores, j, k, critical_value(scores, draws)).surely
    assert (better(scores, j, k).surely | ~joint).all()
