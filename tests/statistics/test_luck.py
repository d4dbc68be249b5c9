import numpy as np
import pytest

from speakerdb.statistics.benches import Benches
from speakerdb.statistics.luck import Luck, chance_to_hold, luck, podium, ranking, ranking_of
from speakerdb.statistics.places import Place, exact, place_of, places

JOINT = 4.5


def errors(seed, count):
    return np.random.default_rng(seed).standard_normal(count)


def not_asked():
    raise AssertionError("joint places take reading all draws: only where luck is told")


@pytest.mark.parametrize("seed", range(5))
def test_of_many_equals_who_comes_first_or_last_owes_it_to_luck(seed):
    assert luck(exact(errors(seed, 200), 1.0)) == Luck(first=True, last=True)


@pytest.mark.parametrize("seed", range(5))
def test_in_a_field_far_wider_than_its_errors_luck_decides_nothing(seed):
    x = np.random.default_rng(100 + seed).normal(0.0, 10.0, 60) + errors(seed, 60)
    assert luck(exact(x, 1.0)) == Luck(first=False, last=False)


@pytest.mark.parametrize("seed", range(3))
def test_equals_at_the_top_of_a_wide_field_are_found(seed):
    # whose spread as a whole is far above the noise
    x = np.concatenate([50.0 + errors(seed, 100), 0.5 * np.arange(-60.0, 0.0)])
    scores = exact(x, 1.0)
    assert luck(scores) == Luck(first=True, last=False)
    assert luck(scores.turned()) == Luck(first=False, last=True)


def test_no_errors_no_luck():
    assert luck(exact(np.zeros(50), 0.0)) == Luck(first=False, last=False)
    assert luck(exact([], [])) == Luck(first=False, last=False)


def test_the_order_of_the_rows_changes_nothing():
    scores = exact(errors(1, 80).round(1), 1.0)
    order = np.random.default_rng(2).permutation(80)
    row = int(np.argmin(scores.x))
    place = place_of(scores, row)
    moved = scores.take(order)
    assert luck(moved) == luck(scores)
    assert chance_to_hold(moved, int(np.flatnonzero(order == row)[0]), place) == pytest.approx(
        chance_to_hold(scores, row, place)
    )


def test_one_far_ahead_surely_holds_the_first_place_and_surely_no_other():
    scores = exact([0.0, 1.0, 2.0, 30.0], 1.0)
    assert chance_to_hold(scores, 3, Place(1, 1, 1)) == pytest.approx(1.0, abs=1e-6)
    assert chance_to_hold(scores, 3, Place(1, 2, 4)) == pytest.approx(0.0, abs=1e-6)


def test_of_two_that_measure_the_same_each_is_as_likely_the_first():
    scores = exact([-30.0, -20.0, 5.0, 5.0], 1.0)
    assert chance_to_hold(scores, 2, Place(1, 1, 1)) == pytest.approx(0.5, abs=0.1)
    assert chance_to_hold(scores, 2, Place(1, 1, 2)) == pytest.approx(1.0)


def test_the_true_place_of_the_first_of_equals_is_anywhere():
    # n equals: each place is as likely, so k places hold the true one with chance k/n
    x = errors(4, 400)
    chance = chance_to_hold(exact(x, 1.0), int(np.argmax(x)), Place(1, 1, 200))
    assert chance == pytest.approx(0.5, abs=0.25)
    assert chance < 0.75


def test_those_far_below_do_not_matter():
    x = errors(5, 60)
    row = int(np.argmax(x))
    near = exact(x, 1.0)
    whole = exact(np.concatenate([x, -100.0 + errors(6, 500)]), 1.0)
    place = place_of(near, row)
    assert chance_to_hold(whole, row, place) == pytest.approx(chance_to_hold(near, row, place), abs=1e-6)


def test_an_error_that_others_benches_share_counts_as_seen_from_ones_own():
    # apart by 4 on one bench, and on two benches whose errors are as large as that
    x = np.array([0.0, 4.0, -20.0, -30.0])
    one = exact(x, 0.1, 0.0, Benches(np.array([0, 0, 0, 0]), np.full(4, 8.0), np.eye(2)))
    two = exact(x, 0.1, 0.0, Benches(np.array([0, 1, 0, 0]), np.full(4, 8.0), np.eye(2)))
    assert chance_to_hold(one, 1, Place(1, 1, 1)) > 0.99
    assert chance_to_hold(two, 1, Place(1, 1, 1)) < 0.95


def test_the_first_and_last_of_equals_take_joint_places_and_the_others_keep_theirs():
    scores = exact(errors(7, 100), 1.0)
    shown, each, joint = ranking(scores, lambda: JOINT), places(scores), places(scores, JOINT)
    ends = (each.rank <= 3) | (each.rank > 97)
    assert (shown.first | shown.last).tolist() == ends.tolist()
    for name in ("low", "high"):
        assert getattr(shown, name).tolist() == np.where(ends, getattr(joint, name), getattr(each, name)).tolist()
    assert shown.rank.tolist() == each.rank.tolist()
    for row in (int(np.argmax(scores.x)), int(np.argmin(scores.x)), 50):
        one = ranking_of(scores, row, lambda: JOINT)
        assert (one.rank, one.low, one.high) == (shown.rank[row], shown.low[row], shown.high[row])


def test_without_luck_the_places_are_those_of_pairs_and_no_draws_are_read():
    scores = exact(3.0 * np.arange(60.0), 1.0)
    shown, each = ranking(scores, not_asked), places(scores)
    assert shown.low.tolist() == each.low.tolist()
    assert not (shown.first | shown.last).any()
    assert ranking_of(scores, 0, not_asked) == place_of(scores, 0)


def test_those_who_share_the_third_place_are_treated_alike():
    scores = exact([9.0, 8.0, 7.0, 7.0, 7.0, 1.0, 0.0], 1.0)
    first, last = podium(scores, Luck(first=True, last=True))
    assert first.tolist() == [True, True, True, True, True, False, False]
    assert last.tolist() == [False, False, True, True, True, True, True]
