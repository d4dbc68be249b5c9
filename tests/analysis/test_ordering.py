import numpy as np
import pytest

from speakerdb.analysis import ordering
from speakerdb.statistics.benches import Benches
from tests.analysis.columns import column


def frame(made, jointly=False):
    """Ranks of a column whose own errors are normal."""
    se = np.nan_to_num(made.se)[:, None]
    draws = np.random.default_rng(1).standard_normal((len(made), 400)) * se
    return ordering.rank_frame(made, lambda: draws.astype(np.float32), jointly=jointly)


def test_the_better_direction_comes_first_and_the_withheld_have_no_rank():
    low = frame(column("f6_hz", [40.0, 60.0, 30.0, 50.0], se=0.01, withheld=[3]))
    assert low["rank"].to_list() == [2, 3, 1, None]
    assert low["rank_high"].to_list() == [2, 3, 1, None]
    high = frame(column("max_level_db", [104.0, 106.0, 103.0], se=0.05))
    assert high["rank"].to_list() == [2, 1, 3]


def test_speakers_within_their_errors_share_places():
    found = frame(column("f6_hz", [40.0, 40.5, 41.0, 90.0], se=0.05))
    assert found["rank"].to_list() == [1, 2, 3, 4]
    assert found["rank_low"].to_list() == [1, 1, 1, 4]
    assert found["rank_high"].to_list() == [3, 3, 3, 4]


def test_an_at_most_bass_limit_may_be_the_best_and_cannot_be_put_below_any():
    found = frame(column("f6_hz", [40.0, 60.0, 80.0], se=0.01, at_most=[2]))
    assert found["rank_low"].to_list() == [1, 2, 1]
    assert found["rank_high"].to_list() == [2, 3, 3]


def test_a_ratio_scale_is_ranked_by_ratios():
    # 5 % errors at 30 and at 3,000 ohms: the same number of standard errors apart, so the same verdict
    def verdict(factor):
        return frame(column("impedance_min_ohm", np.array([1.0, 1.2, 2.0]) * factor, se=np.log2(1.05)))[
            "rank_high"
        ].to_list()

    assert verdict(30.0) == verdict(3000.0) == [3, 2, 1]


def test_a_limit_that_a_dip_may_move_is_not_surely_the_deeper():
    # 40 Hz, or 120 with a chance of one in five: below 60 it can't be put surely, above 300 it can
    branches = {0: (120.0, 0.02, 0.2)}
    found = frame(column("f6_hz", [40.0, 60.0, 300.0], se=0.02, branches=branches))
    assert found["rank"].to_list() == [1, 2, 3]
    assert found["rank_high"].to_list() == [2, 2, 3]
    assert found["rank_low"].to_list() == [1, 1, 3]


def test_between_benches_their_errors_count_and_within_one_they_cancel():
    # 1 dB apart with errors of 0.1 dB, of which a bench brings another 1 dB
    def places(pattern):
        benches = Benches(np.array(pattern), np.ones(2), np.eye(2))
        return frame(column("max_level_db", [105.0, 106.0], se=0.1, benches=benches))["rank_high"].to_list()

    assert places([0, 0]) == [2, 1]
    assert places([0, 1]) == [2, 2]


def test_joint_places_are_given_on_request_and_hold_those_of_pairs():
    made = column("max_level_db", np.linspace(100.0, 110.0, 30), se=0.3)
    found = frame(made, jointly=True)
    assert (found["rank_joint_low"] <= found["rank_low"]).all()
    assert (found["rank_joint_high"] >= found["rank_high"]).all()
    assert (found["rank_joint_high"] > found["rank_high"]).any()
    assert "rank_joint_low" not in frame(made).columns


def test_the_first_of_a_hundred_equals_is_called_lucky_and_its_places_are_the_joint_ones():
    value = 105.0 + 0.5 * np.random.default_rng(2).standard_normal(100)
    found = frame(column("max_level_db", value, se=0.5), jointly=True)
    first = found.filter(found["rank"] <= 3)
    assert first["lucky"].to_list() == [True] * 3
    assert first["rank_high"].to_list() == first["rank_joint_high"].to_list()
    assert found.filter(found["rank"] > 3)["lucky"].sum() == 0
    clear = frame(column("max_level_db", 3.0 * np.arange(60.0), se=0.5))
    assert not clear["lucky"].any()


def test_as_long_as_an_error_is_not_worked_out_only_ranks_are_given():
    found = frame(column("max_level_db", [104.0, 106.0], se=[0.1, np.nan]), jointly=True)
    assert found["rank"].to_list() == [2, 1]
    for name in ("rank_low", "rank_high", "rank_joint_low", "rank_joint_high"):
        assert found[name].to_list() == [None, None]


def test_a_field_in_which_nothing_is_known_has_no_ranks():
    found = frame(column("preference", [1.0, 2.0], withheld=[0, 1]))
    assert found["rank"].to_list() == [None, None]


def test_what_a_benchs_error_does_to_all_alike_does_not_part_or_join_them():
    made = column("preference", [5.0, 6.0, 7.0], se=0.1)
    random = np.random.default_rng(3)
    alike = np.tile(random.standard_normal(400), (3, 1))
    each = random.standard_normal((3, 400))
    places = [
        ordering.rank_frame(ordering.with_bench(made, bench), None)["rank_high"].to_list() for bench in (alike, each)
    ]
    assert places == [[3, 2, 1], [3, 3, 3]]


@pytest.mark.parametrize("benches", [1, 3])
def test_with_the_benchs_own_error_a_difference_has_the_variance_of_the_drawn_one(benches):
    random = np.random.default_rng(benches)
    bench = random.standard_normal((benches, 400)).T @ random.standard_normal((benches, 5))
    made = ordering.with_bench(column("preference", np.arange(5.0), se=0.2), bench.T)
    scores = ordering.better_first(made)
    j, k = np.triu_indices(5, 1)
    found = scores.v[j] + scores.v[k] + scores.benches.variance(j, k)
    drawn = np.mean((bench.T[j] - bench.T[k]) ** 2, axis=1)
    assert found == pytest.approx(2 * 0.2**2 + drawn, rel=0.02)
