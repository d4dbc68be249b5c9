import numpy as np
import pytest

from speakerdb.analysis import rank
from tests.analysis.columns import column


def test_the_better_direction_comes_first_and_the_withheld_have_no_rank():
    low = rank.rank_frame(column("f6_hz", [40.0, 60.0, 30.0, 50.0], se=0.5, withheld=[3]))
    assert low["rank"].to_list() == [2, 3, 1, None]
    assert low["rank_high"].to_list() == [2, 3, 1, None]
    high = rank.rank_frame(column("max_level_db", [104.0, 106.0, 103.0], se=0.05))
    assert high["rank"].to_list() == [2, 1, 3]


def test_speakers_within_their_errors_share_ranks_and_a_group():
    frame = rank.rank_frame(column("f6_hz", [40.0, 40.5, 41.0, 90.0], se=1.0))
    assert frame["rank"].to_list() == [1, 2, 3, 4]
    assert frame["rank_low"].to_list() == [1, 1, 1, 4]
    assert frame["rank_high"].to_list() == [3, 3, 3, 4]
    assert frame["group"].to_list() == [1, 1, 1, 2]


def test_an_at_most_bass_limit_may_be_the_best_and_cannot_be_put_below_any():
    frame = rank.rank_frame(column("f6_hz", [40.0, 60.0, 80.0], se=0.5, at_most=[2]))
    assert frame["rank_low"].to_list() == [1, 2, 1]
    assert frame["rank_high"].to_list() == [2, 3, 3]


def test_a_ratio_scale_is_ranked_by_ratios():
    # 5 % errors at 30 and at 3,000: the same number of standard errors apart, so the same verdict
    def verdict(factor):
        value = np.array([1.0, 1.2, 2.0]) * factor
        return rank.rank_frame(column("impedance_min_ohm", value, se=0.05 * value))["rank_high"].to_list()

    assert verdict(30.0) == verdict(3000.0)


def test_chance_flatters_the_first_of_equals_and_hardly_a_clear_winner():
    equal = rank.rank_frame(column("max_level_db", [105.0] * 20, se=0.5))
    assert 0.8 < equal["overstatement"].max() < 1.05  # expected largest of 20 normal errors: 1.87 sd
    clear = rank.rank_frame(column("max_level_db", [109.0, *[105.0] * 19], se=0.5))
    assert clear["overstatement"][0] == pytest.approx(0.0, abs=1e-3)


def test_words_go_only_as_far_as_the_worst_rank_a_speaker_can_have():
    assert rank.superlative(1, 40) == "the best of 40"
    assert rank.superlative(4, 40) == "among the best 4 of 40"
    assert rank.superlative(11, 40) is None
    assert rank.superlative(1, 1) is None


def test_a_field_in_which_nothing_is_known_has_no_ranks():
    frame = rank.rank_frame(column("preference", [1.0, 2.0], withheld=[0, 1]))
    assert frame["rank"].to_list() == [None, None]


def test_two_predicted_preferences_cannot_be_told_apart_by_less_than_the_formula_leaves_unexplained():
    frame = rank.rank_frame(column("preference", [5.0, 6.5, 12.0], se=0.05))
    assert frame["rank_low"].to_list() == [2, 2, 1]
    assert frame["rank_high"].to_list() == [3, 3, 1]
