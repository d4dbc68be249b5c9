"""Bounds stay true: whatever the unknown values really are, the answer lies within what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speakerdb.acoustics import bounds
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, BETWEEN, EXACT, Bounded

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


INF = float("inf")


@pytest.mark.parametrize(
    ("lower", "upper", "same", "value", "code", "end"),
    [
        (99.0, 99.0, 0.0, 99.0, EXACT, None),
        (99.0, 101.0, 0.0, 99.0, BETWEEN, 101.0),
        (99.0, 99.04, 0.05, 99.0, EXACT, None),
        (99.0, 99.06, 0.05, 99.0, BETWEEN, 99.06),
        (99.0, INF, 0.0, 99.0, AT_LEAST, None),
        (-INF, 101.0, 0.0, 101.0, AT_MOST, None),
        (-INF, INF, 0.0, np.nan, EXACT, None),
    ],
)
def test_an_interval_says_what_its_ends_let_it(lower, upper, same, value, code, end):
    found = bounds.from_ends(np.array(lower), np.array(upper), same)
    assert float(found.value) == pytest.approx(value, nan_ok=True)
    assert int(found.code) == code
    assert float(found.upper) == pytest.approx(np.nan if end is None else end, nan_ok=True)
    moved = found.plus(2.0)
    assert float(moved.upper - moved.value) == pytest.approx(float(found.upper - found.value), nan_ok=True)


@pytest.mark.parametrize(
    ("share", "mixed"), [(0.0, -INF), (0.5, -INF), (1.0, 90.0)], ids=["the first alone", "both", "the second alone"]
)
def test_an_open_end_counts_where_it_has_a_share(share, mixed):
    assert float(bounds.mixed(np.array(-INF), np.array(90.0), share)) == mixed
