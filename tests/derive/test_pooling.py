"""Pooling of sessions into what stands for a speaker: equal weights step by step, bounds only where they say something."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.derive import pool_table, pool_weights
from speakerdb.derive.pooling import OPPOSITE
from speakerdb.dictionary import ValueTable

NONE, AT_MOST, AT_LEAST = 0, 1, 2


def pool(value, sample=None, lab=None, censored=None, group=None, reason=None):
    value = np.array(value, float)[:, None]
    n = len(value)
    codes = np.array(censored if censored is not None else [NONE] * n, np.int8)[:, None]
    table = ValueTable(("f6_hz",), value, codes, reason or {})
    pooled = pool_table(table, np.array(group or [0] * n), sample or ["a"] * n, lab or ["x"] * n)
    return pooled.values


def test_sessions_pool_within_sample_and_lab_then_labs_then_samples():
    # sample a: lab x 40 and 44 -> 42, lab y 50 -> (42 + 50)/2 = 46; sample b: 60; speaker (46 + 60)/2 = 53
    value = [40, 44, 50, 60]
    sample, lab = ["a", "a", "a", "b"], ["x", "x", "y", "x"]
    assert pool(value, sample, lab).value[0, 0] == pytest.approx(53.0)
    weights = pool_weights(np.zeros(4, int), sample, lab)
    np.testing.assert_allclose(weights, [1 / 8, 1 / 8, 1 / 4, 1 / 2])
    assert weights @ np.array(value) == pytest.approx(53.0)


def test_withheld_sessions_take_no_part():
    found = pool([40, np.nan, 50])
    assert found.value[0, 0] == pytest.approx(45.0)


def test_all_withheld_keeps_the_reason():
    found = pool([np.nan, np.nan], reason={(0, "f6_hz"): "no vertical orbit", (1, "f6_hz"): "no vertical orbit"})
    assert np.isnan(found.value[0, 0])
    assert found.reason == {(0, "f6_hz"): "no vertical orbit"}


def test_a_bound_that_agrees_with_the_exact_values_says_nothing_more():
    found = pool([33, 32, 255], censored=[NONE, NONE, AT_MOST])
    assert found.value[0, 0] == pytest.approx(32.5)
    assert found.censored[0, 0] == NONE


def test_a_bound_that_contradicts_them_is_kept_as_a_bound():
    found = pool([40, 30], censored=[NONE, AT_MOST])
    assert found.censored[0, 0] == AT_MOST
    assert found.value[0, 0] == pytest.approx(35.0)


def test_bounds_alone_pool_to_a_bound():
    found = pool([105, 107], censored=[AT_LEAST, AT_LEAST])
    assert found.censored[0, 0] == AT_LEAST
    assert found.value[0, 0] == pytest.approx(106.0)


def test_opposite_bounds_are_withheld():
    found = pool([30, 40], censored=[AT_MOST, AT_LEAST])
    assert np.isnan(found.value[0, 0])
    assert found.reason == {(0, "f6_hz"): OPPOSITE}


def test_groups_do_not_mix():
    found = pool([40, 50, 70], group=[1, 0, 1])
    np.testing.assert_allclose(found.value[:, 0], [50.0, 55.0])
