import numpy as np
import pytest

from speakerdb.analysis.peers import FAMILIES, named_peers, peers_of, place_words, places, widened
from speakerdb.terms import KINDS
from tests.analysis.columns import column


def among(c, row, groups=None):
    """place, place_low, place_high, of."""
    return places([c], row, peers_of(c.facts, row) if groups is None else groups).row(0)[1:5]


def test_the_best_of_the_group_is_first_and_the_worst_last():
    c = column("f6_hz", np.arange(30.0, 130.0, 10.0), se=0.01)
    assert among(c, 0) == (1, 1, 1, 10)
    assert among(c, 9) == (10, 10, 10, 10)
    assert among(c, 3) == (4, 4, 4, 10)
    loud = column("max_level_db", np.arange(90.0, 100.0), se=0.01)
    assert among(loud, 9) == (1, 1, 1, 10)


def test_near_ties_widen_the_range_of_places():
    c = column("f6_hz", [40.0, 40.5, 41.0, *range(90, 150, 10)], se=0.04)
    assert among(c, 1) == (2, 1, 3, 9)


def test_of_equals_each_can_have_any_place():
    c = column("flatness_window_db", [1.0] * 9, se=0.1)
    assert among(c, 4)[1:] == (1, 9, 9)


def test_a_bound_may_lie_further_ahead_than_its_value_shows():
    c = column("max_level_db", np.arange(100.0, 110.0), se=0.05, at_least=[2])
    assert among(c, 2) == (8, 1, 8, 10)


def test_where_peers_are_fewer_than_eight_the_group_widens_from_kind_to_family_to_all():
    kinds = ["bookshelf"] * 10 + ["standmount"] * 6 + ["floorstander"] * 4 + ["subwoofer"]
    c = column(
        "f6_hz", np.linspace(30, 80, 21), se=0.01, kind=kinds, price=[100.0 * 4**k for k in range(5)] * 4 + [500.0]
    )
    assert [len(g.rows) for g in peers_of(c.facts, 0)] == [2, 10, 16, 20]
    of_kind, of_family, of_all = (
        next(g.words for g in widened([c], row, peers_of(c.facts, row))) for row in (0, 12, 17)
    )
    assert (of_kind, of_family, of_all) == ("kind bookshelf", "kinds bookshelf, standmount, monitor", "all kinds")


def test_the_group_widens_for_each_metric_by_who_has_it():
    kinds = ["bookshelf"] * 9 + ["monitor"] * 3
    every, some = (column("f6_hz", np.linspace(30, 80, 12), se=0.01, kind=kinds, withheld=gone) for gone in ([], [1]))
    found = places([every, some], 0, peers_of(every.facts, 0))
    assert found["of"].to_list() == [9, 11]
    assert found["among"].to_list() == [
        "kind bookshelf, price within a factor of 2, size within a factor of 2",
        "kinds bookshelf, standmount, monitor",
    ]


def test_subwoofers_stand_among_subwoofers_only():
    c = column("f6_hz", [20.0] * 4 + [40.0] * 20, kind=["subwoofer"] * 4 + ["bookshelf"] * 20)
    assert all(set(g.rows) == {0, 1, 2, 3} for g in peers_of(c.facts, 0))
    assert among(c, 0) == (None, None, None, 4)
    assert not {0, 1, 2, 3} & set(peers_of(c.facts, 5)[-1].rows)


def test_eight_others_are_needed_and_withheld_values_are_none():
    few = column("f6_hz", np.linspace(40, 110, 8), se=0.01)
    assert among(few, 0) == (None, None, None, 8)
    c = column("f6_hz", np.linspace(30, 120, 10), se=0.01, withheld=[9])
    assert among(c, 0) == (1, 1, 1, 9)
    assert among(c, 9)[0] is None


def test_every_kind_has_one_family():
    assert sorted(kind for family in FAMILIES for kind in family) == sorted(KINDS)


def test_peers_are_of_the_same_kind_price_and_size():
    c = column(
        "f6_hz",
        [40.0] * 6,
        kind=["bookshelf"] * 5 + ["floorstander"],
        price=[500.0, 1000.0, 1100.0, None, 260.0, 500.0],
        volume_l=[10.0, 20.0, 10.0, 10.0, 4.0, 10.0],
    )
    near = peers_of(c.facts, 0)[0]
    assert near.rows == (0, 1)
    assert near.words == "kind bookshelf, price within a factor of 2, size within a factor of 2"
    assert peers_of(c.facts, 0, factor=3.0)[0].rows == (0, 1, 2, 4)
    assert peers_of(c.facts, 3)[0].words == "kind bookshelf, size within a factor of 2"


def test_another_setting_of_the_speaker_is_no_peer():
    c = column("f6_hz", [40.0] * 3, speaker=["a", "a", "b"], setting=["plain", "desk", "plain"])
    assert peers_of(c.facts, 0)[-1].rows == (0, 2)
    assert named_peers(c.facts, 1, ["a", "b"], "my list").rows == (1, 2)


@pytest.mark.parametrize(
    ("range_", "words"),
    [
        ((3, 9, 9), "3rd to 9th of 9"),
        ((1, 1, 12), "1st of 12"),
        ((1, 9, 9), "place not known: 1st to 9th of 9"),
        ((2, 22, 57), "2nd to 22nd of 57"),
    ],
)
def test_places_in_words(range_, words):
    assert place_words(*range_) == words
