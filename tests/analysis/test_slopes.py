import numpy as np
import pytest

from speakerdb.analysis import slopes
from speakerdb.analysis.by_maker import Rows
from speakerdb.analysis.properties import of_fact, of_metric
from speakerdb.statistics.benches import Benches
from tests.analysis.columns import column

UNALIGNED, ALIGNED = np.array([[0.0, 0.0], [-1.0, 1.0]]), np.array([[0.0, 0.0], [0.0, 0.2]])


def market(n=80, slope=-0.05, offset=0.0, seed=1, loading=UNALIGNED, metric="treble_balance_db", apart=False):
    """A property that changes by `slope` a year; two benches, the newer speakers mostly on the second, all of them
    where `apart`."""
    random = np.random.default_rng(seed)
    year = random.integers(2005, 2026, n)
    second = random.uniform(size=n) < (year - 2004) / 22
    if apart:
        year = np.where(second, 2020, 2010)
    maker = random.integers(0, 16, n)
    value = (
        8.0
        + slope * (year - 2015)
        + 0.4 * random.normal(size=n)
        + 0.2 * random.normal(size=16)[maker]
        + offset * second
    )
    return column(
        metric,
        value,
        year=year.tolist(),
        maker=[f"m{m}" for m in maker],
        se=0.1,
        benches=Benches(second.astype(int), np.full(n, 0.25**2), loading),
        labs=np.where(second, "barn", "shed").tolist(),
    )


def over_year(c):
    return slopes.over_quantity(c, of_fact("year", c))


def test_a_change_over_the_years_is_found_per_decade_with_its_interval():
    row = over_year(market()).slopes.row(0, named=True)
    assert row["low"] < -0.5 < row["high"]
    assert (row["unit"], row["per"], row["labs"]) == ("dB", "10 years", 2)
    assert row["theil_sen"] == pytest.approx(row["effect"], abs=0.2)
    assert row["p"] < 0.001
    assert row["reason"] is None


def test_a_difference_between_benches_that_are_not_aligned_is_not_taken_for_a_trend():
    row = over_year(market(slope=0.0, offset=2.0, seed=3)).slopes.row(0, named=True)
    assert row["low"] < 0.0 < row["high"]
    assert "unaligned benches" in row["method"]
    assert abs(row["theil_sen"]) > 0.5  # which knows nothing of benches: that is why the fixed effects stand first


def test_benches_that_each_have_their_own_years_carry_no_trend_unless_they_are_aligned():
    assert "cannot be told apart" in over_year(market(apart=True)).slopes["reason"].item()
    row = over_year(market(apart=True, loading=ALIGNED)).slopes.row(0, named=True)
    assert row["low"] < -0.5 < row["high"]
    assert row["method"] == "least squares"


def test_three_benches_take_two_columns_and_one_that_all_share_takes_none():
    three = Benches(np.arange(60) % 3, np.ones(60), np.array([[0.0, 0, 0], [-1, 1, 0], [-0.5, 0, 0.5]]))
    c = column(
        "treble_balance_db", np.random.default_rng(1).normal(size=60), benches=three, year=list(range(1960, 2020))
    )
    rows = np.arange(60)
    assert Rows.of(c, of_metric(c), rows).bench.shape == (60, 2)
    assert Rows.of(c, of_metric(c), rows[1::3]).bench.shape == (20, 0)


@pytest.mark.parametrize(
    ("makers", "words"),
    [
        (["a"] * 20, "1 maker"),
        (["a", "b"] * 10, "2 makers only"),
        (["a"] * 18 + ["b", "c"], "too few makers to tell: df 1."),
        (["a"] * 16 + ["b", "b", "c", "d"], "too few makers to tell: df 2."),
    ],
)
def test_too_few_makers_give_a_slope_without_interval_p_or_line(makers, words):
    random = np.random.default_rng(8)
    year = np.array(list(range(2000, 2020)))
    year[16:] += 30
    found = over_year(column("preference", random.normal(size=20), year=year.tolist(), maker=makers))
    row = found.slopes.row(0, named=True)
    assert words in row["reason"]
    assert (row["low"], row["high"], row["p"]) == (None, None, None)
    assert row["effect"] is not None
    assert len(found.line) == 0


def over_price(seed):
    random = np.random.default_rng(seed)
    price = 2.0 ** random.uniform(8, 12, 60)
    c = column("f6_hz", 60.0 * (price / 1000) ** -0.2 * 2 ** (0.05 * random.normal(size=60)), price=price, se=0.1)
    return slopes.over_quantity(c, of_fact("price", c, "EUR"))


def test_a_trend_over_price_is_per_doubling_and_of_a_bass_limit_in_per_cent():
    found = over_price(1)
    row = found.slopes.row(0, named=True)
    assert row["effect"] == pytest.approx(100 * (2**-0.2 - 1), abs=1.5)
    assert (row["unit"], row["per"]) == ("%", "doubling of price")
    assert "price trends are not adjusted for inflation" in found.cautions
    assert "the speakers are not a random sample of the market" in found.cautions
    assert found.line["fit"][0] > found.line["fit"][-1]


def test_the_interval_of_a_trend_holds_the_truth_in_about_95_of_100_fields():
    rows = [over_price(seed).slopes.row(0, named=True) for seed in range(100)]
    assert 90 <= sum(r["low"] < 100 * (2**-0.2 - 1) < r["high"] for r in rows) <= 99


def test_bounds_are_neither_dropped_nor_taken_for_values():
    random = np.random.default_rng(5)
    year = random.integers(2000, 2026, 120)
    truth = 100.0 + 0.4 * (year - 2010) + random.normal(size=120)
    seen = np.minimum(truth, 104.0)
    c = column("max_level_db", seen, year=year.tolist(), se=0.1, at_least=np.flatnonzero(truth > 104.0).tolist())
    found = over_year(c)
    row = found.slopes.row(0, named=True)
    assert row["low"] < 4.0 < row["high"]
    assert row["high"] - row["low"] < 1.0
    assert row["method"].startswith("Tobit")
    assert row["theil_sen"] is None
    assert any("highest drive" in caution for caution in found.cautions)


def test_mostly_bounds_carry_no_trend():
    c = column("max_level_db", np.arange(20.0), year=list(range(2000, 2020)), at_least=range(11))
    assert "11 of 20 values are bounds" in over_year(c).slopes["reason"].item()


def test_fewer_than_eight_speakers_are_too_few():
    c = column("preference", np.arange(7.0), year=list(range(2000, 2007)))
    assert over_year(c).slopes["reason"].item() == "7 speakers; at least 8 are needed"


def test_a_noisy_x_flattens_the_slope_and_that_is_said():
    random = np.random.default_rng(6)
    truth = random.normal(size=200)
    x = column("bass_balance_db", truth + 0.7 * random.normal(size=200), se=0.7)
    y = column("treble_balance_db", truth, se=0.01)
    found = slopes.over_quantity(y, of_metric(x))
    assert found.slopes["reliability"].item() == pytest.approx(1 / 1.49, abs=0.08)
    assert any("too flat" in caution for caution in found.cautions)


def test_q_counts_every_trend_that_is_printed():
    many = [over_year(market(slope=0.0, seed=s)) for s in range(10, 25)]
    found = slopes.with_q(many)
    p, q = (np.concatenate([t.slopes[c].to_numpy() for t in found]) for c in ("p", "q"))
    assert (q >= p).all()
    assert (q > 0.05).all()


def test_unknown_years_are_told():
    c = column("preference", np.arange(10.0), year=[None, *range(2000, 2009)], withheld=[5])
    found = over_year(c)
    assert found.unknown["reason"].to_list() == ["year: unknown", "predicted preference: not measured"]
