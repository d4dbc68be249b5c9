import numpy as np
import pytest

from speakerdb.statistics import groups
from speakerdb.statistics.clusters import critical


def none(n):
    return np.zeros(n, bool)


def median_of(value, open_above):
    return groups.kaplan_meier(value, open_above).median


def test_without_censoring_the_median_is_the_median():
    value = np.array([5.0, 1.0, 9.0, 4.0, 7.0])
    assert median_of(value, none(5)) == 5.0
    assert median_of(value[:4], none(4)) == 4.5


def test_bounds_pull_the_median_up_and_many_leave_it_open():
    value = np.array([1.0, 2.0, 3.0, 3.0, 5.0])
    assert median_of(value, np.array([False, False, True, False, False])) == 3.0
    assert median_of(value, np.array([False, True, True, True, True])) == np.inf


def test_kaplan_meier_by_hand():
    # 6 of whom one is censored at 2 and one at 4: 5/6, then 4 at risk: 5/6·3/4, then 2 at risk, then 1
    s = groups.kaplan_meier(np.array([1.0, 2, 3, 4, 5, 6]), np.array([0, 1, 0, 1, 0, 0], bool))
    assert s.above == pytest.approx([5 / 6, 5 / 6 * 3 / 4, 5 / 6 * 3 / 4 / 2, 0.0])


def interval(value, bound, maker):
    seen, open_above = np.minimum(value, bound), value > bound
    df, factor = groups.median_freedom(seen, open_above, maker)
    return groups.kaplan_meier(seen, open_above).median_interval(critical(np.array(df)) * np.sqrt(factor)), df


def test_the_interval_of_six_speakers_of_six_makers_is_from_the_least_to_the_largest():
    # which holds the median of any distribution in 1 − 2·(1/2)⁶ = 96.9 of 100 samples
    value = np.array([3.0, 1.0, 4.0, 1.5, 9.0, 2.6])
    assert interval(value, np.inf, np.arange(6))[0] == (1.0, 9.0)


def held(random, speakers, makers, alike, bounds, runs):
    hits = told = 0
    for _ in range(runs):
        maker = np.arange(speakers) % makers
        value = np.sqrt(alike) * random.normal(size=makers)[maker] + np.sqrt(1 - alike) * random.normal(size=speakers)
        bound = random.normal(1.0, 1.0, speakers) if bounds else np.full(speakers, np.inf)
        (low, high), df = interval(value, bound, maker)
        told += df >= 3.0
        hits += low <= 0.0 <= high
    return hits / told


@pytest.mark.parametrize("bounds", [False, True])
@pytest.mark.parametrize(("speakers", "makers", "alike"), [(8, 8, 0.0), (40, 40, 0.0), (20, 5, 0.5), (40, 10, 0.5)])
def test_the_interval_of_the_median_covers_also_where_makers_are_alike_within_themselves(
    speakers, makers, alike, bounds
):
    assert 0.92 <= held(np.random.default_rng(1), speakers, makers, alike, bounds, 300) <= 1.0


@pytest.mark.slow
@pytest.mark.parametrize("bounds", [False, True])
@pytest.mark.parametrize("alike", [0.0, 0.3, 0.7])
@pytest.mark.parametrize(("speakers", "makers"), [(6, 6), (8, 4), (12, 6), (20, 5), (34, 13), (40, 10)])
def test_the_interval_of_the_median_covers_in_2000_samples(speakers, makers, alike, bounds):
    # medians of few jump from speaker to speaker, so that 95 of 100 can't be hit; never fewer
    assert 0.93 <= held(np.random.default_rng(2), speakers, makers, alike, bounds, 2000) <= 1.0


def test_makers_that_are_alike_count_for_fewer_speakers():
    random = np.random.default_rng(3)
    maker = np.repeat(np.arange(8), 5)
    value = random.normal(size=8)[maker] + 0.1 * random.normal(size=40)
    df, factor = groups.median_freedom(value, none(40), maker)
    assert df == pytest.approx(7.0)
    assert factor > 3.0
    assert groups.median_freedom(value, none(40), np.zeros(40, int))[0] == 0.0
    assert groups.median_freedom(value, none(40), np.arange(40) % 2)[0] < 3.0


def test_scores_sum_to_nothing_and_fall_as_values_rise():
    random = np.random.default_rng(4)
    value, bound = random.normal(size=30), random.normal(1.0, 1.0, 30)
    seen, open_above = np.minimum(value, bound), value > bound
    score = groups.prentice_scores(seen, open_above)
    assert score.sum() == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(score[~open_above][np.argsort(seen[~open_above])]) < 0).all()
    exact = groups.prentice_scores(value, none(30))
    ranks = np.argsort(np.argsort(value))
    assert np.corrcoef(exact, ranks)[0, 1] == pytest.approx(-1.0, abs=1e-9)  # the rank test of Wilcoxon


def test_effect_sizes_by_hand():
    a, b = np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0])
    assert groups.hedges_g(a, b) == pytest.approx(2.0 * (1 - 3 / 15))  # both sd 1, 4 degrees of freedom
    assert groups.cliffs_delta(a, a, b, b) == pytest.approx(8 / 9)
    assert groups.cliffs_delta(a, np.full(3, np.inf), b, b) == pytest.approx(8 / 9)
    assert groups.cliffs_delta(a, a, b, np.full(3, np.inf)) == pytest.approx(0.0)
    assert np.isnan(groups.hedges_g(a[:1], b))
