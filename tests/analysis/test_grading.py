"""Words for values: the probability of each class, one word or two, bounds, places in quarters."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from speakerdb.analysis.grading import Scale, grade, probabilities, quarter

SCALE = Scale((10.0, 20.0, 40.0), ("a", "b", "c", "d"))
LOG = Scale((10.0, 20.0, 40.0), ("a", "b", "c", "d"), log=True)


@pytest.mark.parametrize("value", [-3.0, 9.9, 15.0, 33.0, 90.0])
@pytest.mark.parametrize("se", [0.3, 4.0, 30.0])
def test_the_probability_of_a_class_is_that_of_the_normal_law(value, se):
    ends = [-np.inf, *SCALE.cuts, np.inf]
    expected = np.diff(norm.cdf(ends, value, se))  # scipy's own
    assert probabilities(SCALE, value, se) == pytest.approx(expected, abs=1e-12)


def test_ratios_are_judged_on_log2():
    expected = np.diff(norm.cdf(np.log2([1e-300, 10.0, 20.0, 40.0, 1e300]), np.log2(18.0), 0.1))
    assert probabilities(LOG, 18.0, 0.1) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "se", "text"),
    [
        (15.0, 0.0, "b"),
        (15.0, 3.0, "b"),  # 0.904 in b
        (15.0, 5.0, "can't"),  # 0.683 in b; best two 0.841 or less
        (19.0, 3.0, "b to c"),  # 0.629 in b, 0.999 in b and c
        (20.0, 1.0, "b to c"),
        (5.0, 30.0, "can't"),
        (9.0, 1.0, "a"),
        (10.0, 0.0, "a"),  # a value at a cut belongs below
    ],
)
def test_one_word_where_it_is_sure_two_where_they_are_together(value, se, text):
    assert (grade(SCALE, value, se).text or "can't") == text


@pytest.mark.parametrize(
    ("value", "censored", "upper", "text"),
    [
        (15.0, "at_least", None, "at least b"),
        (41.0, "at_least", None, "d"),  # nothing lies beyond
        (5.0, "at_least", None, ""),  # says nothing
        (15.0, "at_most", None, "at most b"),
        (9.0, "at_most", None, "a"),
        (50.0, "at_most", None, ""),
        (12.0, "between", 18.0, "b"),
        (12.0, "between", 25.0, "b to c"),
        (5.0, "between", 25.0, ""),
    ],
)
def test_a_bound_speaks_for_its_sure_side(value, censored, upper, text):
    assert grade(SCALE, value, 0.1, censored, upper).text == text


@pytest.mark.parametrize(
    ("low", "high", "count", "text"),
    [
        (1, 2, 8, "top quarter"),
        (3, 6, 8, "middle half"),
        (7, 8, 8, "bottom quarter"),
        (2, 4, 8, "top quarter to middle half"),
        (6, 8, 8, "middle half to bottom quarter"),
        (1, 8, 8, ""),
        (5, 5, 9, "middle half"),
    ],
)
def test_a_range_of_places_in_quarters(low, high, count, text):
    assert quarter(low, high, count).text == text
