"""What a setting changes, how far a control reaches, and which setting suits a wall."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from speakerdb.acoustics import grid
from speakerdb.analysis.settings import before_wall, controls, metric_changes, reach

F = grid.FREQUENCY_HZ


def values(**given):
    """metric -> number, (number, censoring word) or None (withheld)."""
    rows = [
        (m, v[0] if isinstance(v, tuple) else v, v[1] if isinstance(v, tuple) else "none", "withheld" if v is None else "ok",
         "no sweeps" if v is None else None)
        for m, v in given.items()
    ]  # fmt: skip
    schema = {"metric": pl.String, "value": pl.Float64, "censored": pl.String, "status": pl.String, "reason": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def change(reference, other, metric="max_level_db"):
    return metric_changes(values(**{metric: reference}), values(**{metric: other})).row(0, named=True)


@pytest.mark.parametrize(
    ("reference", "other", "low", "high", "matters"),
    [
        (100.0, 104.0, 4.0, 4.0, "yes"), (100.0, 100.5, 0.5, 0.5, "no"), (104.0, 100.0, -4.0, -4.0, "yes"),
        (102.0, (105.0, "at_least"), 3.0, None, "yes"), ((105.0, "at_least"), 102.0, None, -3.0, "yes"),
        (105.0, (102.0, "at_least"), -3.0, None, "unclear"), ((105.0, "at_least"), (108.0, "at_least"), None, None, "unclear"),
        (105.0, (102.0, "at_most"), None, -3.0, "yes"), (100.0, None, None, None, "unclear"),
    ],
)  # fmt: skip
def test_changes_of_censored_values_are_bounds_only(reference, other, low, high, matters):
    found = change(reference, other)
    assert (found["change_low"], found["change_high"], found["matters"]) == (low, high, matters)
    assert found["unit"] == "dB"


def test_a_withheld_value_keeps_its_reason():
    assert change(100.0, None)["reason"] == "no sweeps"


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
