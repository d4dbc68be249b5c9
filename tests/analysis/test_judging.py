"""What is met at every value that a figure may have is met; at none, missed; anything else is not judged."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speakerdb.analysis.judging import (
    MAY,
    MEETS,
    MISSES,
    NOT_JUDGED,
    Interval,
    Requirement,
    interval,
    is_near,
    judge,
    remoteness,
)


def figure(value, censored="none", reason=None):
    return interval(np.array([value], float), [censored], np.array([reason], object))


def asked(margin, near=3.0):
    return Requirement("level", "dB", near, margin, lambda i: "open")


@pytest.mark.parametrize(
    ("value", "censored", "limit", "expected"),
    [
        (105.0, "none", 104.0, MEETS),
        (105.0, "none", 105.0, MEETS),
        (105.0, "none", 105.1, MISSES),
        (105.0, "at_least", 104.0, MEETS),
        (105.0, "at_least", 108.0, NOT_JUDGED),
        (105.0, "at_most", 104.0, NOT_JUDGED),
        (105.0, "at_most", 108.0, MISSES),
        (np.nan, "none", 60.0, NOT_JUDGED),
    ],
)
def test_a_level_against_a_limit(value, censored, limit, expected):
    assert judge([asked(figure(value, censored).above(limit))])[0] == expected


@pytest.mark.parametrize(
    ("value", "censored", "limit", "expected"),
    [(45.0, "at_most", 45.0, MEETS), (45.0, "at_most", 40.0, NOT_JUDGED), (45.0, "none", 40.0, MISSES)],
)
def test_a_bass_limit_that_reaches_lower_than_measured(value, censored, limit, expected):
    assert judge([asked(figure(value, censored).below(limit))])[0] == expected


def test_a_sure_miss_outweighs_everything_unknown():
    wanted = [asked(figure(np.nan).above(100.0)), asked(figure(500.0).below(400.0))]
    assert judge(wanted)[0] == MISSES


@given(
    st.lists(
        st.tuples(st.floats(-10, 10), st.floats(-10, 10)).map(lambda ends: (min(ends), max(ends))),
        min_size=1,
        max_size=4,
    ),
    st.lists(st.floats(0, 1), min_size=4, max_size=4),
)
def test_the_verdict_holds_wherever_in_the_intervals_the_truth_lies(ends, where):
    wanted = [asked(Interval(np.array([low]), np.array([high]), np.array([None], object))) for low, high in ends]
    met = all(
        min(low + t * (high - low), high) >= 0
        for (low, high), t in zip(ends, where, strict=False)  # rounding leaves no interval
    )
    state = judge(wanted)[0]
    assert state == (
        MEETS if all(low >= 0 for low, _ in ends) else MISSES if any(high < 0 for _, high in ends) else MAY
    )
    assert state == MAY or (state == MEETS) == met


def test_a_miss_is_as_far_as_its_share_of_what_still_counts_as_near():
    wanted = [asked(figure(98.0).above(100.0), near=4.0), asked(figure(1100.0).below(1000.0), near=200.0)]
    assert remoteness(wanted)[0] == pytest.approx(0.5 + 0.5)
    assert is_near(wanted)[0]
    assert not is_near([asked(figure(95.0).above(100.0), near=4.0)])[0]
