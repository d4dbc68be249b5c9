import numpy as np
import pytest

from speakerdb.analysis.properties import of_fact, of_metric
from speakerdb.analysis.tradeoff import tradeoff
from speakerdb.errors import RequestError
from tests.analysis.columns import column


def price_against(metric, value, price, **more):
    c = column(metric, value, price=price, **more)
    return tradeoff(c.facts, of_fact("price", c, "EUR"), of_metric(c))


def by_speaker(found):
    return {r["speaker"]: r for r in found.rows.iter_rows(named=True)}


def test_the_cheapest_and_the_best_are_on_the_frontier_and_the_dominated_is_not():
    found = by_speaker(price_against("f6_hz", [60.0, 30.0, 65.0], [200.0, 900.0, 500.0], se=0.2))
    assert [found[s]["p_frontier"] for s in "abc"] == [1.0, 1.0, 0.0]
    assert found["c"]["x_on_frontier"] == pytest.approx(200.0)  # must cost less than the cheaper one that reaches lower
    assert found["b"]["x_on_frontier"] is None  # none reaches as low: on the frontier at any price


def test_near_ties_share_the_frontier():
    found = by_speaker(price_against("f6_hz", [50.0, 50.0], [300.0, 400.0], se=1.0))
    assert found["a"]["p_frontier"] == 1.0
    assert found["b"]["p_frontier"] == pytest.approx(0.5, abs=0.1)


def test_a_property_without_a_better_direction_is_refused():
    c = column("di_power_mean_db", [7.0, 8.0])
    with pytest.raises(RequestError, match="neither direction is better"):
        tradeoff(c.facts, of_fact("price", c), of_metric(c))
    with pytest.raises(RequestError, match="itself"):
        tradeoff(c.facts, of_fact("price", c), of_fact("price", c))


def test_one_that_reaches_far_lower_than_its_price_leads_to_expect_beats_it():
    random = np.random.default_rng(1)
    price = 2.0 ** random.uniform(8, 11, 30)
    value = 2.0 ** (9.0 - 0.3 * np.log2(price) + 0.02 * random.normal(size=30))
    value[4] *= 0.6
    found = price_against("f6_hz", value, price, se=0.1)
    row = by_speaker(found)["e" if len(price) <= 26 else "ae"]
    assert row["beats"] == "better"
    assert row["y"] < row["low"] < row["expected"] < row["high"]
    assert "5 %" in found.cautions[0]
    assert len(found.line) == 0


def test_the_quantile_line_needs_fifty_and_lies_on_the_better_side():
    random = np.random.default_rng(2)
    price = 2.0 ** random.uniform(8, 11, 60)
    found = price_against("f6_hz", 60.0 * 2 ** (0.2 * random.normal(size=60)), price, se=0.1)
    assert 46.0 < found.line["fit"].mean() < 54.0  # a tenth lies below: 60·2^(−1.28·0.2) = 50 Hz, lower is better
    assert (found.line["low"] <= found.line["high"]).all()


def test_unknown_prices_are_told_and_bounds_give_a_range():
    c = column("max_level_db", [104.0, 108.0, 110.0], price=[300.0, None, 500.0], se=0.2, at_least=[0])
    found = tradeoff(c.facts, of_fact("price", c), of_metric(c))
    assert found.unknown.rows() == [("b", "plain", "price of a pair: price unknown")]
    rows = by_speaker(found)
    assert (rows["c"]["p_frontier_low"], rows["c"]["p_frontier"]) == (0.0, 1.0)
    assert rows["a"]["expected"] is None
