import numpy as np
import pytest
from scipy import stats

from speakerdb.statistics import regression
from speakerdb.statistics.clusters import LEAST_FREEDOM, Estimates, critical
from tests.statistics.makers import market, widths

SLOPE = np.array([[0.0, 1.0]])


def on(x, y, maker):
    return regression.least_squares(np.column_stack([np.ones(len(y)), x - x.mean()]), y, maker).estimates(SLOPE)


def test_equal_makers_and_a_mean_give_the_t_test_of_the_makers_means():
    random = np.random.default_rng(1)
    maker = np.repeat(np.arange(7), 4)
    y = random.normal(size=28) + random.normal(size=7)[maker]
    found = regression.least_squares(np.ones((28, 1)), y, maker).estimates(np.ones((1, 1)))
    theirs = stats.ttest_1samp(y.reshape(7, 4).mean(axis=1), 0.0)
    assert found.df == pytest.approx([6.0])
    assert found.p == pytest.approx([theirs.pvalue])
    low, high = theirs.confidence_interval()
    assert (found.value - found.half_width, found.value + found.half_width) == (
        pytest.approx([low]),
        pytest.approx([high]),
    )


@pytest.mark.parametrize(("inside", "outside"), [(4, 20), (6, 6), (3, 9)])
def test_two_groups_of_makers_with_one_speaker_each_have_the_degrees_of_freedom_of_bell_and_mccaffrey(inside, outside):
    # (1/a + 1/b)²/(1/(a²(a − 1)) + 1/(b²(b − 1))): G. W. Imbens, M. Kolesár, Review of Economics and Statistics 98(4),
    # 2016 (from memory)
    a, b = inside, outside
    x = np.repeat([1.0, 0.0], [a, b])
    found = on(x, np.random.default_rng(2).normal(size=a + b), np.arange(a + b))
    assert found.df[0] == pytest.approx((1 / a + 1 / b) ** 2 / (1 / (a**2 * (a - 1)) + 1 / (b**2 * (b - 1))))


@pytest.mark.parametrize(
    ("layout", "low", "high", "df"), [("coaxial two-way", -1.6, 51.7, 1.14), ("full-range", 0.0, 24.2, 4.20)]
)
def test_intervals_of_two_layouts_that_the_method_was_chosen_by(layout, low, high, df):
    # the figures of the design's own prototype, before this code was written; the first is withheld, for its degrees of
    # freedom
    y, maker, layouts = widths()
    found = on((layouts == layout).astype(float), y, maker)
    half = stats.t.ppf(0.975, found.df) * found.se
    assert (found.value[0] - half[0], found.value[0] + half[0]) == pytest.approx((low, high), abs=0.05)
    assert found.df[0] == pytest.approx(df, abs=0.005)


def test_names_of_makers_and_the_order_of_speakers_change_nothing():
    y, maker, layout = widths()
    x = (layout == "full-range").astype(float)
    order = np.random.default_rng(3).permutation(len(y))
    a, b = on(x, y, maker), on(x[order], y[order], (maker.max() - maker)[order])
    assert (b.value, b.se, b.df) == (pytest.approx(a.value), pytest.approx(a.se), pytest.approx(a.df))


def test_a_number_that_is_zero_has_a_p_of_one_whatever_its_error():
    found = Estimates(np.zeros(3), np.array([1.0, 0.0, 1.0]), np.array([5.0, 5.0, LEAST_FREEDOM - 0.01]))
    assert found.p == pytest.approx([1.0, 1.0, np.nan], nan_ok=True)
    assert Estimates(np.ones(1), np.zeros(1), np.array([5.0])).p == pytest.approx([0.0])


def test_a_difference_that_one_maker_alone_decides_has_no_interval():
    y, maker, layout = widths()
    found = on((layout == "coaxial three-way").astype(float), y, maker)  # both of one maker
    assert found.df[0] == 0.0
    assert np.isnan([found.half_width[0], found.p[0]]).all()


def test_below_three_degrees_of_freedom_there_is_no_interval():
    assert np.isnan(critical(np.array([0.0, 2.99]))).all()
    assert critical(np.array([3.0]))[0] == pytest.approx(3.1824, abs=1e-4)  # any table of Student's t


def held(random, makers, speakers, alike, runs):
    """Share of the intervals of a group's difference from the rest that hold 0, and how many there were."""
    holds = told = 0
    while told < runs:
        y, maker, member = market(random, makers, speakers, alike)
        if min(member.sum(), (~member).sum()) < 3:
            continue
        found = on(member.astype(float), y, maker)
        told += bool(found.df[0] >= 3.0)
        holds += bool(abs(found.value[0]) <= found.half_width[0])
    return holds / told


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_intervals_of_groups_hold_the_truth_with_eight_makers(alike):
    assert 0.92 <= held(np.random.default_rng(4), 8, 40, alike, 500) <= 0.985


@pytest.mark.slow
@pytest.mark.parametrize("alike", [0.0, 0.3, 0.7])
@pytest.mark.parametrize(("makers", "speakers"), [(6, 30), (8, 40), (14, 60), (30, 100)])
def test_intervals_of_groups_hold_the_truth_in_92_to_98_of_100_fields(makers, speakers, alike):
    assert 0.92 <= held(np.random.default_rng(5), makers, speakers, alike, 2000) <= 0.975
