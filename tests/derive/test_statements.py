"""What a session says of its values: as measured, absolute, another unit; also where a value is one of two
(method:statistics#three-statements)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.acoustics import grid
from speakerdb.metrics import METRICS
from speakerdb.statistics.error_model import DEFAULT
from tests import truth

IDS = tuple(METRICS)
DIP_HZ = 150.0


def sure(session, name="statements"):
    """metric -> its value, and each column of its uncertainty."""
    value = derive.derive([session]).values.value[0]
    columns = derive.session_uncertainty(session, name, IDS, value, DEFAULT).columns
    return {
        m: {"value": float(value[j])} | {name: float(column[j]) for name, column in columns.items()}
        for j, m in enumerate(IDS)
    }


@cache
def plain():
    """A speaker of the fleet as measured."""
    slug = truth.designs()[0].slug
    return truth.sessions(truth.measured_levels("statements", slug), slug)[0]


def dipped(depth_db):
    """The same with a dip two thirds of an octave wide, alike in all directions."""
    shape = np.exp(-0.5 * ((grid.LOG2_HZ - np.log2(DIP_HZ)) / 0.33) ** 4)
    session = plain()
    return replace(session, level_db=(session.level_db - depth_db * shape).astype(np.float32))


@cache
def reached_db():
    """The depth at which the dip just makes the −6 dB limit."""
    low, high = 2.0, 12.0
    column = IDS.index("f6_hz")
    while high - low > 0.01:
        middle = (low + high) / 2.0
        limit = derive.derive([dipped(middle)]).values.value[0, column]
        low, high = (low, middle) if limit > 80.0 else (middle, high)
    return (low + high) / 2.0


@pytest.mark.parametrize("beyond_db", [-0.05, 0.05])
def test_a_limit_that_a_dip_just_reaches_is_told_with_both_places(beyond_db):
    f6 = sure(dipped(reached_db() + beyond_db))["f6_hz"]
    lower, upper = sorted((f6["value"], f6["other_value"]))
    assert lower < 80.0
    assert upper == pytest.approx(DIP_HZ, rel=0.4)
    assert (f6["value"] > 80.0) == (beyond_db > 0)
    assert 0.1 < f6["other_share"] < 0.9
    for low, high in (("low", "high"), ("low_absolute", "high_absolute"), ("low_unit", "high_unit")):
        assert (f6[low] > 80.0) == (f6[high] > 80.0) == (f6["value"] > 80.0)
        assert f6[low] <= f6["value"] <= f6[high]
    assert f6["other_low"] <= f6["other_value"] <= f6["other_high"]
    assert f6["se"] < 0.1  # octaves: the spread within its place, not from one to the other


def test_a_limit_that_only_another_bench_or_unit_could_carry_away_says_so_by_its_interval():
    session = dipped(reached_db() - 0.7)
    f6 = sure(session)["f6_hz"]
    assert np.isnan(f6["other_value"])
    assert f6["high"] < 80.0
    assert f6["high_unit"] > 100.0


def test_a_limit_far_from_any_dip_has_one_place():
    f6 = sure(plain())["f6_hz"]
    assert np.isnan([f6["other_value"], f6["other_share"]]).all()
    assert f6["high_unit"] < 1.2 * f6["value"]


def test_noise_lowers_a_preference_and_its_interval_reaches_up_for_that():
    found = sure(plain())["preference"]
    assert found["bias"] < 0
    assert found["high"] - found["value"] > 1.2 * (found["value"] - found["low"])


def test_the_bench_carries_levels_and_shapes_but_no_pattern():
    found = sure(plain())
    for metric in ("reference_level_db", "treble_balance_db", "flatness_window_db", "f6_hz"):
        narrow, wide = (found[metric][f"high{kind}"] - found[metric][f"low{kind}"] for kind in ("", "_absolute"))
        assert wide > 1.05 * narrow, metric
    patterns = {m: row for m, row in found.items() if METRICS[m].group == "directivity" and not np.isnan(row["se"])}
    assert len(patterns) > 10
    for metric, row in patterns.items():
        assert row["se_bench"] == 0.0, metric
        assert (row["low_absolute"], row["high_absolute"]) == (row["low"], row["high"]), metric


def test_another_unit_is_less_sure_of_everything_that_units_differ_in():
    differ = {
        metric: row
        for metric, row in sure(plain()).items()
        if METRICS[metric].group != "output" and metric != "best_listening_angle_deg" and row["se"] > 0
    }
    assert len(differ) > 30
    for metric, row in differ.items():
        assert row["high_unit"] - row["low_unit"] > row["high_absolute"] - row["low_absolute"], metric
        assert row["se_sample"] > 0, metric


def test_what_a_session_withholds_has_no_uncertainty():
    session = plain()
    there = np.abs(session.angle_deg) <= 90
    front = replace(
        session,
        horizontal=session.horizontal[there],
        angle_deg=session.angle_deg[there],
        level_db=session.level_db[there],
    )
    found = sure(front)
    assert np.isnan(found["preference"]["value"])
    assert all(np.isnan(x) for name, x in found["preference"].items())
    assert found["f6_hz"]["low"] < found["f6_hz"]["value"] < found["f6_hz"]["high"]


def test_a_look_before_anything_is_stored_says_what_will_be_stored():
    session = plain()
    value = derive.derive([session]).values.value[0]
    look = derive.own_uncertainty(session, "statements", IDS, value, DEFAULT)
    stored = derive.session_uncertainty(session, "statements", IDS, value, DEFAULT).columns
    for name in ("se", "low", "high", "noise_limited"):
        np.testing.assert_array_equal(look[name], stored[name])
