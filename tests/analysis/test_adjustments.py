"""What a setting changes, how far a control reaches, and which setting suits a wall."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from speakerdb.acoustics import grid
from speakerdb.analysis.adjustments import before_wall, controls, metric_changes, reach
from speakerdb.analysis.metric_column import on_scale
from speakerdb.metrics import METRICS
from speakerdb.statistics.contrasts import Measured, contrast

F = grid.FREQUENCY_HZ


def values(**given):
    """metric -> number, (number, censoring word) or None (withheld)."""
    rows = [
        (
            m,
            v[0] if isinstance(v, tuple) else v,
            v[1] if isinstance(v, tuple) else "none",
            "withheld" if v is None else "ok",
            "no sweeps" if v is None else None,
        )
        for m, v in given.items()
    ]
    schema = {"metric": pl.String, "value": pl.Float64, "censored": pl.String, "status": pl.String, "reason": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def session(x, *, own=0.1, setting="", number=1, **more):
    return Measured(
        "a",
        "shed",
        "/shed||",
        "a|1",
        "one run",
        f"{setting} {number}",
        x,
        own,
        **{"level": 0.4, "bench_sd": 0.5, "sample_sd": 0.6} | more,
    )


def change(reference, other, metric="max_level_db", **more):
    """The row of a metric that was measured once in either setting, on one bench in one run."""
    x = [
        None if v is None else on_scale(METRICS[metric], np.array(v[0] if isinstance(v, tuple) else v)).item()
        for v in (other, reference)
    ]
    contrasts = (
        {}
        if None in x
        else {metric: contrast([session(x[0], setting="b", **more)], [session(x[1], setting="a", **more)])}
    )
    return metric_changes(values(**{metric: reference}), values(**{metric: other}), contrasts).row(0, named=True)


HALF = (
    1.96 * 0.1 * 2**0.5
)  # what one setting and the other have to themselves; level, bench and sample are the same for both


@pytest.mark.parametrize(
    ("reference", "other", "low", "high", "matters"),
    [
        (100.0, 104.0, 4.0 - HALF, 4.0 + HALF, "yes"),
        (100.0, 100.5, 0.5 - HALF, 0.5 + HALF, "no"),
        (104.0, 100.0, -4.0 - HALF, -4.0 + HALF, "yes"),
        (100.0, 101.1, 1.1 - HALF, 1.1 + HALF, "unclear"),
        (102.0, (105.0, "at_least"), 3.0 - HALF, None, "yes"),
        ((105.0, "at_least"), 102.0, None, -3.0 + HALF, "yes"),
        (105.0, (102.0, "at_least"), -3.0 - HALF, None, "unclear"),
        ((105.0, "at_least"), (108.0, "at_least"), None, None, "unclear"),
        (105.0, (102.0, "at_most"), None, -3.0 + HALF, "yes"),
        (100.0, None, None, None, "unclear"),
    ],
)
def test_a_change_has_the_errors_that_both_settings_do_not_share_and_of_bounds_one_end(
    reference, other, low, high, matters
):
    found = change(reference, other)
    for end, expected in (("change_low", low), ("change_high", high)):
        assert found[end] == (None if expected is None else pytest.approx(expected, abs=0.02))
    assert found["matters"] == matters
    assert found["unit"] == "dB"


def test_of_limits_the_ratio_changes():
    found = change(50.0, 60.0, "f6_hz", own=0.02)
    assert found["ratio"]
    assert found["change"] == pytest.approx(1.2)
    assert found["change_low"] * found["change_high"] == pytest.approx(1.44)
    assert (found["differs"], found["matters"]) == (True, "yes")


def test_a_withheld_value_keeps_its_reason():
    assert change(100.0, None)["reason"] == "no sweeps"


def test_without_errors_and_where_sessions_fall_on_two_branches_nothing_is_told():
    found = metric_changes(values(f6_hz=50.0), values(f6_hz=60.0), {}).row(0, named=True)
    assert (found["change"], found["change_low"], found["matters"]) == (pytest.approx(1.2), None, "unclear")
    assert "not worked out" in found["reason"]
    two = {
        "f6_hz": contrast([session(5.6, other=(7.6, 0.1, 0.3)), session(5.7, number=2)], [session(5.5, setting="a")])
    }
    assert "one of two" in metric_changes(values(f6_hz=50.0), values(f6_hz=60.0), two).row(0, named=True)["reason"]


def test_a_control_is_read_from_settings_that_are_alike_otherwise():
    switches = [
        {"bass_db": 0.0, "treble_db": 0.0},
        {"bass_db": -4.0, "treble_db": 0.0},
        {"bass_db": 2.0, "treble_db": 0.0},
        {"bass_db": -4.0, "treble_db": 2.0},
    ]
    found = {c.name: c for c in controls(switches)}
    assert found["bass_db"].positions == ((-4.0, 1), (0.0, 0), (2.0, 2))
    assert found["bass_db"].fixed == {"treble_db": 0.0}
    assert found["treble_db"].positions == ((0.0, 1), (2.0, 3))


def test_a_control_that_only_moves_together_with_another_cannot_be_told():
    (bass, desk) = controls([{"bass_db": 0.0, "desk_db": 0.0}, {"bass_db": -2.0, "desk_db": -4.0}])
    assert bass.positions == desk.positions == ()
    assert "differ in another switch" in bass.problem


def test_a_position_that_is_not_recorded_is_unknown_and_not_zero():
    (control,) = controls([{}, {"bass_db": -2.0}])
    assert "only one position" in control.problem


def test_no_recorded_switches_give_no_controls():
    assert controls([{}, {}]) == []


def test_the_reach_of_a_bass_shelf_ends_where_it_stops_acting():
    flat = np.zeros(199)
    cut, lift = np.where(F < 200.0, -4.0, 0.0), np.where(F < 100.0, 2.0, 0.0)
    found = reach(np.stack([flat, cut, lift]), [1, 0, 2], 0)
    ((low_hz, high_hz),) = found.acts_hz
    assert low_hz == pytest.approx(F[0])
    assert 180.0 < high_hz < 225.0
    assert (found.low_db[20], found.high_db[20]) == (pytest.approx(-4.0), pytest.approx(2.0))
    assert found.most_hz < 100.0


def test_a_control_may_act_in_two_bands_and_a_narrow_spike_is_none():
    moved = np.where((F < 150.0) | (F > 5000.0), 3.0, 0.0)
    moved[100] = 3.0
    found = reach(np.stack([np.zeros(199), moved]), [0, 1], 0)
    bass, treble = found.acts_hz
    assert bass == pytest.approx((F[0], 150.0), rel=0.12)
    assert treble == pytest.approx((5000.0, F[-1]), rel=0.12)


def test_a_control_that_does_nothing_acts_nowhere_and_missing_data_is_no_reach():
    assert reach(np.zeros((2, 199)), [0, 1], 0).acts_hz == ()
    unknown = np.zeros((2, 199))
    unknown[1] = np.nan
    assert reach(unknown, [0, 1], 0).acts_hz == ()


def test_near_a_wall_the_setting_that_takes_out_what_the_wall_adds_is_the_flattest():
    from speakerdb.acoustics import room

    rear = np.zeros(199)
    added = room.boundary_gain_db(0.3, rear)
    in_room = np.stack([np.full(199, 80.0), 80.0 - added, 80.0 - 2.0 * added])
    found = before_wall(in_room, np.stack([rear] * 3), 0.3)
    assert int(np.argmin(found.ripple_db)) == 1
    assert found.ripple_db[1] == pytest.approx(0.0, abs=1e-9)
    assert found.ripple_db[0] == pytest.approx(found.ripple_db[2])


def test_a_bass_cut_suits_a_near_wall_better_than_free_standing():
    rear = np.zeros((2, 199))
    plain = np.full(199, 80.0)
    cut = plain - 4.0 / (1.0 + (F / 150.0) ** 2)
    near, far = (before_wall(np.stack([plain, cut]), rear, d).ripple_db for d in (0.2, 6.0))
    assert near[1] < near[0]
    assert far[0] < far[1]


def test_what_was_not_measured_down_to_40_hz_has_no_ripple_at_the_wall():
    curve = np.full((1, 199), 80.0)
    curve[0, F < 60.0] = np.nan
    assert np.isnan(before_wall(curve, np.zeros((1, 199)), 0.5).ripple_db[0])
    assert np.isnan(before_wall(np.full((1, 199), 80.0), np.full((1, 199), np.nan), 0.5).ripple_db[0])
