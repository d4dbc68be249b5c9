import numpy as np
import pytest

from speakerdb.analysis import trend
from speakerdb.analysis.properties import of_fact, of_metric
from speakerdb.errors import RequestError
from tests.analysis.columns import column


def market(n=80, slope=-0.05, lab_offset=0.0, seed=1, metric="di_power_mean_db", **more):
    """A property that changes by `slope` a year; two labs, the newer speakers mostly in the second."""
    random = np.random.default_rng(seed)
    year = random.integers(2005, 2026, n)
    lab = np.where(random.uniform(size=n) < (year - 2004) / 22, "barn", "shed")
    maker = random.integers(0, 16, n)
    value = 8.0 + slope * (year - 2015) + 0.4 * random.normal(size=n) + 0.2 * random.normal(size=16)[maker] + lab_offset * (lab == "barn")  # fmt: skip
    return column(metric, value, year=year.tolist(), lab=lab, maker=[f"m{m}" for m in maker],
                  labs=lab.tolist(), se=0.1, **more)  # fmt: skip


def over_year(c):
    return trend.over_quantity(c.facts, of_metric(c), of_fact("year", c))


def test_a_change_over_the_years_is_found_per_decade_with_its_interval():
    row = over_year(market()).slopes.row(0, named=True)
    assert row["low"] < -0.5 < row["high"]
    assert (row["unit"], row["per"], row["labs"]) == ("dB", "10 years", 2)
    assert row["theil_sen"] == pytest.approx(row["effect"], abs=0.2)
    assert row["p"] < 0.001


def test_a_difference_between_labs_is_not_taken_for_a_trend():
    row = over_year(market(slope=0.0, lab_offset=2.0, seed=3)).slopes.row(0, named=True)
    assert row["low"] < 0.0 < row["high"]
    assert abs(row["theil_sen"]) > 0.5  # which knows nothing of labs: that is why the fixed effects stand first


def test_labs_that_each_have_their_own_years_carry_no_trend():
    c = market()
    years = np.where(c.lab == "barn", 2020, 2010).tolist()
    c = column(
        "di_power_mean_db", c.value, year=years, lab=c.lab, labs=c.lab.tolist(), maker=c.facts["maker"].to_list()
    )
    assert "cannot be told apart" in over_year(c).slopes["reason"].item()


def over_price(seed):
    random = np.random.default_rng(seed)
    price = 2.0 ** random.uniform(8, 12, 60)
    c = column("f6_hz", 60.0 * (price / 1000) ** -0.2 * 2 ** (0.05 * random.normal(size=60)), price=price, se=0.1)
    return trend.over_quantity(c.facts, of_metric(c), of_fact("price", c, "EUR"))


def test_a_trend_over_price_is_per_doubling_and_of_a_bass_limit_in_per_cent():
    found = over_price(1)
    row = found.slopes.row(0, named=True)
    assert row["effect"] == pytest.approx(100 * (2**-0.2 - 1), abs=1.5)
    assert (row["unit"], row["per"]) == ("%", "doubling of price of a pair")
    assert any("nominal" in caution for caution in found.cautions)
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


@pytest.mark.parametrize(("n", "makers", "words"), [(7, None, "at least 8"), (20, ["m"] * 20, "at least 3 are needed")])
def test_too_little_is_told(n, makers, words):
    more = {} if makers is None else {"maker": makers}
    c = column("preference", np.arange(float(n)), year=list(range(2000, 2000 + n)), **more)
    assert words in over_year(c).slopes["reason"].item()


def test_a_noisy_x_flattens_the_slope_and_that_is_said():
    random = np.random.default_rng(6)
    truth = random.normal(size=200)
    x = column("bass_balance_db", truth + 0.7 * random.normal(size=200), se=0.7)
    y = column("treble_balance_db", truth, se=0.01)
    found = trend.over_quantity(y.facts, of_metric(y), of_metric(x))
    assert found.slopes["reliability"].item() == pytest.approx(1 / 1.49, abs=0.08)
    assert any("too flat" in caution for caution in found.cautions)


def coaxials(shift=12.0, seed=7, **more):
    random = np.random.default_rng(seed)
    layout = ["coaxial"] * 15 + ["two-way"] * 25 + ["three-way"] * 15 + ["four-way"] * 2
    value = 25.0 + 5.0 * random.normal(size=57) + shift * np.array([name == "coaxial" for name in layout])
    return column("tone_width_vertical_deg", value, layout=layout, se=1.0, **more)


def test_a_group_that_holds_its_tone_better_is_found():
    c = coaxials()
    found = trend.over_groups(c.facts, of_metric(c), "layout")
    rows = {r["group"]: r for r in found.groups.iter_rows(named=True)}
    assert rows["coaxial"]["low"] < 12.0 < rows["coaxial"]["high"]
    assert rows["coaxial"]["median_low"] <= rows["coaxial"]["median"] <= rows["coaxial"]["median_high"]
    assert rows["coaxial"]["hedges_g"] > 1.5
    assert rows["coaxial"]["cliffs_delta"] > 0.7
    assert rows["coaxial"]["p_all_groups"] < 0.001
    assert "fewer than 3" in rows["four-way"]["reason"]
    assert list(rows) == ["two-way", "coaxial", "three-way", "four-way"]


def test_groups_with_bounds_keep_medians_and_lose_hedges_g():
    c = coaxials(at_least=[0, 1, 20, 21])
    row = trend.over_groups(c.facts, of_metric(c), "layout").groups.filter(group="coaxial").row(0, named=True)
    assert row["median"] is not None
    assert row["hedges_g"] is None
    assert row["method"].startswith("Tobit")


def test_q_counts_every_trend_that_is_printed():
    many = [over_year(market(slope=0.0, seed=s)) for s in range(10, 25)]
    found = trend.with_q(many)
    p, q = (np.concatenate([t.slopes[c].to_numpy() for t in found]) for c in ("p", "q"))
    assert (q >= p).all()
    assert (q > 0.05).all()


def test_unknown_years_and_groupings_are_told():
    c = column("preference", np.arange(10.0), year=[None, *range(2000, 2009)], withheld=[5])
    found = over_year(c)
    assert found.unknown["reason"].to_list() == ["year: year unknown", "predicted preference: not measured"]
    with pytest.raises(RequestError, match="no grouping"):
        trend.over_groups(c.facts, of_metric(c), "colour")
