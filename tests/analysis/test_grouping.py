import numpy as np
import pytest
from scipy import stats

from speakerdb.analysis import slopes
from speakerdb.analysis.grouping import over_groups
from speakerdb.errors import RequestError
from speakerdb.statistics.benches import Benches
from tests.analysis.columns import column
from tests.statistics.makers import widths


def coaxials(shift=12.0, seed=7, **more):
    """57 speakers of ten makers, coaxial ones wider by `shift`."""
    random = np.random.default_rng(seed)
    layout = ["coaxial"] * 15 + ["two-way"] * 25 + ["three-way"] * 15 + ["four-way"] * 2
    value = 25.0 + 5.0 * random.normal(size=57) + shift * np.array([name == "coaxial" for name in layout])
    more = {"maker": [f"m{i % 10}" for i in range(57)], **more}
    return column("tone_width_vertical_deg", value, layout=layout, se=1.0, **more)


def rows_of(c, grouping="layout"):
    return {r["group"]: r for r in over_groups(c, grouping).groups.iter_rows(named=True)}


def fleet():
    value, maker, layout = widths()
    return column("tone_width_vertical_deg", value, maker=[f"m{m}" for m in maker], layout=layout.tolist())


def test_a_group_that_holds_its_tone_better_is_found():
    rows = rows_of(coaxials())
    assert rows["coaxial"]["low"] < 12.0 < rows["coaxial"]["high"]
    assert rows["coaxial"]["median_low"] <= rows["coaxial"]["median"] <= rows["coaxial"]["median_high"]
    assert rows["coaxial"]["hedges_g"] > 1.5
    assert rows["coaxial"]["cliffs_delta"] > 0.7
    assert rows["coaxial"]["p"] < 0.001
    assert rows["coaxial"]["p_all_groups"] < 0.001
    assert rows["four-way"]["reason"] == "2 makers only"
    assert list(rows) == ["two-way", "coaxial", "three-way", "four-way"]


def test_every_group_tells_how_many_makers_stand_behind_it():
    rows = rows_of(fleet())
    assert {name: (r["speakers"], r["makers"]) for name, r in rows.items()} == {
        "two-way": (34, 13),
        "three-way": (8, 5),
        "full-range": (6, 5),
        "two-and-a-half-way": (6, 6),
        "coaxial two-way": (4, 2),
        "coaxial three-way": (2, 1),
        "tweeter between": (2, 2),
    }


def test_coaxial_two_ways_are_of_two_makers_only_and_have_no_interval():
    row = rows_of(fleet())["coaxial two-way"]
    assert row["reason"] == "2 makers only"
    assert row["df"] == pytest.approx(1.14, abs=0.005)
    assert row["difference"] == pytest.approx(25.05, abs=0.005)
    assert (row["low"], row["high"], row["p"], row["q"], row["median_low"]) == (None,) * 5
    assert row["p_reason"] == "2 makers have speakers both in it and outside; at least 3 are needed"


def test_a_group_of_one_maker_has_no_interval():
    assert rows_of(fleet())["coaxial three-way"]["reason"] == "1 maker"
    value, maker, layout = widths()
    one = np.where((maker == maker[0]) & (layout == "two-way"), "its own", layout)
    row = rows_of(column("tone_width_vertical_deg", value, maker=[f"m{m}" for m in maker], layout=one.tolist()))[
        "its own"
    ]
    assert row["reason"] == "1 maker"
    assert (row["low"], row["high"], row["p"]) == (None, None, None)


def test_all_others_of_one_maker_are_told_too():
    layout = ["two-way"] * 30 + ["coaxial"] * 4
    maker = [f"m{i % 8}" for i in range(30)] + ["m9"] * 4
    c = column("tone_width_vertical_deg", np.random.default_rng(1).normal(size=34), layout=layout, maker=maker)
    assert rows_of(c)["two-way"]["reason"] == "all others are of 1 maker"


def test_one_group_alone_has_nothing_to_be_set_against():
    row = rows_of(column("preference", np.arange(12.0)))["two-way"]
    assert row["reason"] == "there are no others"
    assert row["all_groups_reason"] == "0 makers have speakers in more than one group; at least 3 are needed"
    assert row["median"] == 5.5


def test_an_interval_that_is_given_is_that_by_hand():
    row = rows_of(fleet())["full-range"]
    # method:statistics#groups-and-trends
    assert (row["low"], row["high"], row["df"]) == pytest.approx((0.0, 24.2, 4.20), abs=0.05)
    assert row["reason"] is None


def test_a_difference_that_makers_account_for_is_said_to_be_theirs():
    (said,) = [caution for caution in over_groups(fleet(), "layout").cautions if "within makers" in caution]
    assert said.startswith("three-way, two-and-a-half-way:")  # −19.5…−1.4 and −24.2…−6.6, with p 0.6 and 0.09
    assert not any("within makers" in caution for caution in over_groups(coaxials(), "layout").cautions)


def test_medians_of_five_have_no_interval_and_of_one_maker_neither():
    layout = ["two-way"] * 12 + ["coaxial"] * 5 + ["three-way"] * 7
    maker = [f"m{i % 6}" for i in range(17)] + ["m9"] * 7
    rows = rows_of(
        column("tone_width_vertical_deg", np.random.default_rng(1).normal(size=24), layout=layout, maker=maker)
    )
    assert rows["coaxial"]["median_reason"] == "5 speakers; an interval needs 6"
    assert rows["three-way"]["median_reason"] == "1 maker"
    assert rows["two-way"]["median_low"] < rows["two-way"]["median"] < rows["two-way"]["median_high"]


def test_groups_with_bounds_keep_medians_and_lose_hedges_g():
    row = rows_of(coaxials(at_least=[0, 1, 20, 21]))["coaxial"]
    assert row["median_censored"] == "none"
    assert row["hedges_g"] is None
    assert row["method"].startswith("Tobit")
    assert row["p"] < 0.001


@pytest.mark.parametrize(("which", "told"), [("at_least", "at_least"), ("at_most", "at_most")])
def test_over_half_bounds_leave_a_bound_of_the_median_and_no_difference(which, told):
    row = rows_of(coaxials(**{which: range(8)}))["coaxial"]
    assert row["median_censored"] == told
    assert row["median_low"] is row["median_high"] is row["difference"] is row["p"] is None
    assert "8 of 15 values are bounds" in row["reason"]
    exact = rows_of(coaxials())["coaxial"]["median"]
    assert row["median"] == exact  # of what was recorded: the true median lies there or beyond


def test_a_bass_limit_bounded_below_leaves_its_interval_open_there():
    random = np.random.default_rng(2)
    value = np.sort(60.0 * 2 ** (0.3 * random.normal(size=30)))
    value[:6] = value[5]
    c = column(
        "f6_hz", value, layout=["two-way"] * 12 + ["coaxial"] * 18, at_most=range(6), maker=[f"m{i}" for i in range(30)]
    )
    row = rows_of(c)["two-way"]
    assert row["median_censored"] == "none"
    assert row["median_low"] is None
    assert row["median"] <= row["median_high"]


def test_bounds_from_both_sides_leave_neither_median_nor_p():
    row = rows_of(coaxials(at_least=[0], at_most=[1]))["coaxial"]
    assert row["median"] is row["p"] is None
    assert row["median_reason"] == row["p_reason"] == "values are bounded from both sides"


def test_q_counts_the_groups_and_once_that_all_are_alike():
    (found,) = slopes.with_q([over_groups(coaxials(shift=2.0), "layout")])
    rows = found.groups.drop_nulls("p")
    q = stats.false_discovery_control([*rows["p"], rows["p_all_groups"][0]], method="bh")
    assert [*rows["q"], rows["q_all_groups"][0]] == pytest.approx(q.tolist())


def test_where_labels_lie_does_not_depend_on_the_order_of_speakers():
    c = coaxials()
    order = np.random.default_rng(9).permutation(len(c))
    assert rows_of(c.take(order))["coaxial"]["p"] == rows_of(c)["coaxial"]["p"]


def test_benches_that_are_not_aligned_are_said():
    benches = Benches(np.arange(57) % 2, np.full(57, 0.1), np.array([[0.0, 0.0], [-1.0, 1.0]]))
    assert any("not aligned" in caution for caution in over_groups(coaxials(benches=benches), "layout").cautions)
    assert not any("not aligned" in caution for caution in over_groups(coaxials(), "layout").cautions)


def test_unknown_groupings_and_layouts_are_told():
    c = column("preference", np.arange(10.0), layout=[None, *["two-way"] * 9])
    assert over_groups(c, "layout").unknown["reason"].to_list() == ["layout unknown"]
    with pytest.raises(RequestError, match="no grouping"):
        over_groups(c, "colour")
