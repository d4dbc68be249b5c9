import numpy as np
import pytest

from speakerdb.analysis.percentile import named_peers, peers_of, percentiles
from tests.analysis.columns import column


def test_the_best_of_the_group_leaves_all_behind_and_the_last_none():
    c = column("f6_hz", np.arange(30.0, 130.0, 10.0), se=0.2)
    peers = peers_of(c.facts, 0)
    assert percentiles([c], 0, peers).row(0) == ("f6_hz", 10, 100.0, 100.0, 100.0)
    assert percentiles([c], 9, peers).row(0)[2:] == (0.0, 0.0, 0.0)
    assert percentiles([c], 3, peers).row(0)[2] == pytest.approx(100 * 6 / 9)


def test_near_ties_widen_the_interval():
    c = column("f6_hz", [40.0, 40.5, 41.0, *range(90, 150, 10)], se=1.0)
    _, count, value, low, high = percentiles([c], 1, peers_of(c.facts, 1)).row(0)
    assert (count, value) == (9, 100 * 7 / 8)
    assert (low, high) == (100 * 6 / 8, 100.0)


def test_a_small_group_has_no_percentile():
    c = column("f6_hz", [40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0])
    assert percentiles([c], 0, peers_of(c.facts, 0)).row(0) == ("f6_hz", 7, None, None, None)


def test_withheld_values_are_no_members():
    c = column("f6_hz", np.arange(30.0, 130.0, 10.0), se=0.2, withheld=[8, 9])
    assert percentiles([c], 0, peers_of(c.facts, 0))["peers"].item() == 8
    assert percentiles([c], 9, peers_of(c.facts, 9))["percentile"].item() is None


def test_a_bound_may_leave_more_behind_than_its_value_shows():
    c = column("max_level_db", np.arange(100.0, 110.0), se=0.05, at_least=[2])
    _, _, value, low, high = percentiles([c], 2, peers_of(c.facts, 2)).row(0)
    assert value == pytest.approx(100 * 2 / 9)
    assert low == pytest.approx(value)
    assert high == 100.0


def test_peers_are_of_the_same_kind_price_and_size():
    c = column("f6_hz", [40.0] * 6, kind=["bookshelf"] * 5 + ["floorstander"], price=[500.0, 1000.0, 1100.0, None, 260.0, 500.0],
               volume_l=[10.0, 20.0, 10.0, 10.0, 4.0, 10.0])  # fmt: skip
    peers = peers_of(c.facts, 0)
    assert peers.rows == (0, 1)
    assert peers.words == "kind bookshelf, price within a factor of 2, size within a factor of 2"
    assert peers_of(c.facts, 0, factor=3.0).rows == (0, 1, 2, 4)
    assert peers_of(c.facts, 3).words == "kind bookshelf, size within a factor of 2"


def test_another_setting_of_the_speaker_is_no_peer():
    c = column("f6_hz", [40.0] * 3, speaker=["a", "a", "b"], setting=["plain", "desk", "plain"])
    assert peers_of(c.facts, 0).rows == (0, 2)
    assert named_peers(c.facts, 1, ["a", "b"], "my list").rows == (1, 2)
