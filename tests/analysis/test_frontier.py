import numpy as np
import pytest
from scipy.stats import norm

from speakerdb.analysis.frontier import ONLY_BOUNDS, X_MEASURED, expectation, tradeoff
from speakerdb.analysis.properties import of_fact, of_metric
from speakerdb.errors import RequestError
from speakerdb.statistics.benches import Benches
from tests.analysis.columns import column


def price_against(metric, value, price, **more):
    c = column(metric, value, price=price, **more)
    return tradeoff(c.facts, of_fact("price", c, "EUR"), of_metric(c))


def by_speaker(found):
    return {r["speaker"]: r for r in found.rows.iter_rows(named=True)}


def test_the_cheapest_and_the_best_are_on_the_frontier_and_the_dominated_is_not():
    found = by_speaker(
        price_against("f6_hz", [60.0, 30.0, 65.0, 64.0, 63.0], [200.0, 900.0, 500.0, 600.0, 700.0], se=0.01)
    )
    assert [found[s]["p_frontier"] for s in "abc"] == pytest.approx([1.0, 1.0, 0.0], abs=1e-6)
    assert [(found[s]["beaten_from"], found[s]["beaten_by"]) for s in "abc"] == [
        (900.0, "b"),
        (None, None),
        (200.0, "a"),
    ]
    assert all(r["beaten_reason"] is None for r in found.values())


def test_errors_count_in_octaves_where_ratios_do():
    found = by_speaker(price_against("f6_hz", [50.0, 40.0], [300.0, 400.0], se=[0.3, 0.4]))
    assert found["a"]["p_frontier"] == 1.0
    assert found["b"]["p_frontier"] == pytest.approx(norm.cdf(np.log2(50 / 40) / 0.5), abs=0.002)


def test_the_lower_of_two_values_counts_where_low_is_better_with_its_branch():
    # half of the time the dearer is at 100 Hz, surely worse; else at 40, surely better
    found = by_speaker(price_against("f6_hz", [50.0, 40.0], [300.0, 400.0], se=0.01, branches={1: (100.0, 0.02, 0.4)}))
    assert found["b"]["p_frontier"] == pytest.approx(0.6, abs=0.002)


def test_a_predicted_preference_has_no_scatter_of_listeners_in_it():
    found = by_speaker(price_against("preference", [5.0, 5.5], [300.0, 400.0], se=0.1))
    assert found["b"]["p_frontier"] == pytest.approx(
        norm.cdf(0.5 / np.hypot(0.1, 0.1 / np.sqrt(12)) / np.sqrt(2)), abs=0.002
    )


def test_what_a_bench_gives_its_speakers_keeps_two_from_another_together():
    # three equals: two share a bench, so that the third of them is beaten by both or by none far more often than by one
    benches = Benches(np.array([0, 1, 1]), np.full(3, 1.0), np.array([[0.0], [1.0]]))
    found = by_speaker(price_against("preference", [5.0] * 3, [300.0, 400.0, 500.0], se=0.01, benches=benches))
    assert found["b"]["p_frontier"] == pytest.approx(0.5, abs=0.01)
    assert found["c"]["p_frontier"] == pytest.approx(0.25, abs=0.01)
    apart = by_speaker(price_against("preference", [5.0] * 3, [300.0, 400.0, 500.0], se=1.0))
    assert apart["c"]["p_frontier"] == pytest.approx(1 / 3, abs=0.005)


def test_a_property_without_a_better_direction_is_refused():
    c = column("di_power_mean_db", [7.0, 8.0])
    with pytest.raises(RequestError, match="neither direction is better"):
        tradeoff(c.facts, of_fact("price", c), of_metric(c))
    with pytest.raises(RequestError, match="itself"):
        tradeoff(c.facts, of_fact("price", c), of_fact("price", c))


def test_one_speaker_alone_has_no_chance_and_no_price():
    (row,) = price_against("preference", [5.0], [300.0]).rows.iter_rows(named=True)
    assert [row[k] for k in ("p_frontier", "p_frontier_low", "p_frontier_high", "beaten_from", "expected")] == [
        None
    ] * 5
    assert row["beaten_reason"] == "1 of its kind; at least 5 are needed"
    assert len(price_against("preference", [], []).rows) == 0


def test_fewer_than_five_of_a_kind_are_rivals_but_not_judged():
    kinds = ["bookshelf"] * 5 + ["soundbar"] * 4
    found = by_speaker(
        price_against(
            "preference", [5.0] * 5 + [9.0] * 4, [500.0 + i for i in range(5)] + [100.0] * 4, kind=kinds, se=0.1
        )
    )
    assert {found[s]["beaten_by"] for s in "abcde"} <= set("fghi")
    assert {found[s]["beaten_reason"] for s in "fghi"} == {"4 of its kind; at least 5 are needed"}
    assert all(found[s]["p_frontier"] == pytest.approx(0.25, abs=0.01) for s in "fghi")


def test_where_x_is_measured_no_rival_is_named():
    c = column("preference", [5.0, 6.0, 5.5, 5.2, 5.8], se=0.1)
    x = of_metric(column("f6_hz", [50.0, 60.0, 40.0, 45.0, 55.0], se=0.1))
    found = tradeoff(c.facts, x, of_metric(c)).rows
    assert found["beaten_reason"].unique().to_list() == [X_MEASURED]
    assert found["beaten_by"].null_count() == found["beaten_from"].null_count() == 5
    assert found["p_frontier"].null_count() == 0


def test_one_that_reaches_far_lower_than_its_price_leads_to_expect_beats_it():
    random = np.random.default_rng(1)
    price = 2.0 ** random.uniform(8, 11, 30)
    value = 2.0 ** (9.0 - 0.3 * np.log2(price) + 0.02 * random.normal(size=30))
    value[4] *= 0.6
    found = price_against("f6_hz", value, price, se=0.01)
    row = by_speaker(found)["ae"]
    assert row["beats"] == "better"
    assert row["y"] < row["low"] < row["expected"] < row["high"]
    assert row["expected"] == pytest.approx(2.0 ** (9.0 - 0.3 * np.log2(price[4])), rel=0.03)
    assert (
        found.cautions[0]
        == f"about 5 % of all speakers fall outside their interval by chance: expected 2 of 30, found {found.outside}"
    )
    assert len(found.line) == 0


def test_makers_of_the_others_of_its_kind_stand_behind_an_expectation():
    maker = ["p", "p", "q", "r", "r", "s", "s", "s", "t"]
    kind = ["bookshelf"] * 5 + ["monitor"] * 4
    c = column(
        "preference",
        [5.0, 6.0, 5.5, 5.2, 5.8, 6.5, 6.1, 6.4, 5.9],
        se=0.1,
        maker=maker,
        kind=kind,
        at_least=[8],
        price=[100.0, 200.0, 300.0, 400.0, 500.0, 250.0, 350.0, 450.0, 550.0],
    )
    found = expectation(c.facts, of_fact("price", c), of_metric(c))
    # q is the only one of its maker; of monitors only s is left once the bound is out
    assert found["makers"].to_list() == [3, 3, 2, 3, 3, 1, 1, 1, None]


def test_the_quantile_line_needs_fifty_and_lies_on_the_better_side():
    random = np.random.default_rng(2)
    price = 2.0 ** random.uniform(8, 11, 60)
    found = price_against("f6_hz", 60.0 * 2 ** (0.2 * random.normal(size=60)), price, se=0.1)
    assert 46.0 < found.line["fit"].mean() < 54.0  # a tenth lies below: 60·2^(−1.28·0.2) = 50 Hz, lower is better
    assert (found.line["low"] <= found.line["high"]).all()


def test_unknown_prices_are_told_and_bounds_that_decide_leave_no_price():
    c = column(
        "max_level_db",
        [104.0, 108.0, 110.0, 101.0, 102.0, 98.0],
        price=[300.0, None, 500.0, 600.0, 250.0, 260.0],
        se=0.2,
        at_least=[0],
    )
    found = tradeoff(c.facts, of_fact("price", c), of_metric(c))
    assert found.unknown.rows() == [("b", "plain", "price: unknown")]
    rows = by_speaker(found)
    assert (rows["c"]["p_frontier_low"], rows["c"]["p_frontier"], rows["c"]["p_frontier_high"]) == (0.0, 1.0, 1.0)
    # c (the 104 dB or more of a, at 300 EUR, come before it) and a itself hang on the bound; d and f are beaten by the
    # cheaper e whatever a may be, and e by the least that a can be
    assert [rows[s]["beaten_reason"] for s in "cadef"] == [ONLY_BOUNDS, ONLY_BOUNDS, None, None, None]
    named = [(rows[s]["beaten_from"], rows[s]["beaten_by"]) for s in "cadef"]
    assert named == [(None, None), (None, None), (250.0, "e"), (300.0, "a"), (250.0, "e")]
    assert rows["a"]["expected"] is None
