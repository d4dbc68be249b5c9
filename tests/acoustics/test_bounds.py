"""Bounds stay true: whatever the unknown values really are, the answer lies within what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from speakerdb.acoustics import bounds
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, EXACT, Bounded

STATED = st.tuples(st.floats(-50.0, 50.0), st.sampled_from([EXACT, AT_MOST, AT_LEAST]), st.floats(0.0, 30.0))


def bounded(*pairs):
    return Bounded(np.array([v for v, _ in pairs], float), np.array([c for _, c in pairs], np.int8))


def truth(value, code, away):
    """A true value that the statement allows."""
    return value + (away if code == AT_LEAST else -away if code == AT_MOST else 0.0)


def allowed(value, code, true):
    below, above = true - value < 1e-9, true - value > -1e-9
    return {AT_MOST: below, AT_LEAST: above, EXACT: below and above}[code]


@given(st.lists(STATED, min_size=1, max_size=5))
def test_the_lowest_of_bounds_holds_whatever_the_true_values_are(stated):
    found = bounds.lowest(bounded(*((v, c) for v, c, _ in stated)))
    assert allowed(float(found.value), int(found.code), min(truth(*s) for s in stated))


@given(STATED, STATED)
def test_the_lower_of_two_is_the_lowest_of_both(a, b):
    pair = bounds.lower_of(bounded(a[:2]), bounded(b[:2]))
    both = bounds.lowest(bounded(a[:2], b[:2]))
    assert (pair.value[0], pair.code[0]) == (both.value, both.code)


@given(STATED, STATED, st.floats(0.0, 1.0))
def test_between_two_bounds_lies_a_bound_of_their_side(a, b, share):
    found = bounds.between(bounded(a[:2])[0], bounded(b[:2])[0], share)
    assume(not np.isnan(found.value))
    true = truth(*a) * (1.0 - share) + truth(*b) * share
    assert allowed(float(found.value), int(found.code), true)


@pytest.mark.parametrize(
    ("a", "b", "share", "value", "code"),
    [
        ((100, EXACT), (104, AT_LEAST), 0.25, 101, AT_LEAST),
        ((100, AT_MOST), (104, EXACT), 0.25, 101, AT_MOST),
        ((100, AT_LEAST), (104, AT_LEAST), 0.5, 102, AT_LEAST),
        ((100, EXACT), (104, EXACT), 0.5, 102, EXACT),
        ((100, AT_MOST), (104, AT_LEAST), 0.5, np.nan, EXACT),
        ((100, AT_MOST), (104, AT_LEAST), 0.0, 100, AT_MOST),  # at an end only that end counts
        ((100, AT_MOST), (104, AT_LEAST), 1.0, 104, AT_LEAST),
        ((100, EXACT), (np.nan, EXACT), 0.0, 100, EXACT),
        ((100, AT_LEAST), (np.nan, EXACT), 0.5, np.nan, EXACT),
    ],
)
def test_between_two_is_known_unless_they_are_bounds_from_opposite_sides(a, b, share, value, code):
    found = bounds.between(bounded(a)[0], bounded(b)[0], share)
    assert float(found.value) == pytest.approx(value, nan_ok=True)
    assert int(found.code) == code


@pytest.mark.parametrize(
    ("stated", "value", "code"),
    [
        ([(105, AT_LEAST), (99, EXACT)], 99, EXACT),
        ([(95, AT_LEAST), (99, EXACT)], 95, AT_LEAST),
        ([(95, AT_MOST), (90, EXACT)], 90, AT_MOST),
        ([(95, AT_MOST), (90, AT_LEAST)], 95, AT_MOST),
        ([(105, AT_LEAST), (103, AT_LEAST)], 103, AT_LEAST),
        ([(95, AT_LEAST), (95, EXACT)], 95, EXACT),
    ],
)
def test_the_lowest_says_no_more_than_it_can(stated, value, code):
    found = bounds.lowest(bounded(*stated))
    assert (float(found.value), int(found.code)) == (value, code)


def test_the_lowest_is_unknown_where_one_is():
    assert np.isnan(bounds.lowest(bounded((np.nan, EXACT), (90, EXACT))).value)
