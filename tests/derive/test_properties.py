"""What may not change a metric: level, side, order of rows. Raw data off the grid, at 5°, with gaps and NaN."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from speakerdb import derive
from speakerdb.acoustics import grid
from speakerdb.metrics import METRICS
from speakerdb.session import CurveBlock, Session
from tests.store.builders import info

FAST = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
SWAPPED = {"tone_left_deg": "tone_right_deg", "tone_right_deg": "tone_left_deg"}


def session(seed, frequency_hz=None, step=10, offset=0.0, mirrored=False, order=None, model=None, **changes):
    """A made-up speaker, lopsided on purpose, measured at the given frequencies and angular step."""
    rng = np.random.default_rng(seed)
    f = 20 * 2 ** (np.arange(240) / 24) if frequency_hz is None else frequency_hz
    bass, narrow, lean, phases = (
        rng.uniform(35, 80),
        rng.uniform(0.6, 1.4),
        rng.uniform(-0.2, 0.2),
        rng.uniform(0, 6, 4),
    )
    angles = np.arange(-180 + step, 181, step).astype(float)
    x = np.log2(f / 1000)
    response = (
        85 - 10 * np.log10(1 + (bass / f) ** 4) + sum(0.7 * np.sin((k + 2) * x + p) for k, p in enumerate(phases))
    )

    def level(angle, side):
        away = (1 - np.cos(np.radians(angle))) / 2
        return response - narrow * (1 + side * lean * np.sign(angle)) * away * 7 * np.log2(1 + f / 600)

    horizontal = np.array([level(-a if mirrored and a != 180 else a, 1.0) for a in angles])
    vertical = np.array([level(a, 0.5) for a in angles])
    rows = np.arange(2 * len(angles)) if order is None else order(2 * len(angles))
    block = CurveBlock(
        f,
        np.repeat([True, False], len(angles))[rows],
        np.tile(angles, 2)[rows],
        np.concatenate([horizontal, vertical])[rows] + offset,
    )
    return Session("made", info(**changes), (block,))


def values(*sessions):
    return derive.derive([derive.to_grid(s) for s in sessions]).values


@FAST
@given(seed=st.integers(0, 10**6), offset=st.floats(-30, 30))
def test_a_level_offset_changes_no_shape_metric(seed, offset):
    offset = round(offset, 2)  # curves are kept to 0.01 dB
    table = values(session(seed), session(seed, offset=offset))
    for j, metric in enumerate(table.metrics):
        a, b = table.value[:, j]
        if metric == "reference_level_db":
            assert b - a == pytest.approx(offset, abs=0.01)
        elif not METRICS[metric].absolute:
            # rounding to 0.01 dB may fall otherwise; an angle or a limit moves with it by its slope
            np.testing.assert_allclose(b, a, rtol=5e-3, atol=0.02, err_msg=metric)


@FAST
@given(seed=st.integers(0, 10**6))
def test_mirroring_left_and_right_swaps_the_two_tones_and_changes_nothing_else(seed):
    table = values(session(seed), session(seed, mirrored=True))
    column = {m: j for j, m in enumerate(table.metrics)}
    for metric, j in column.items():
        twin = column[SWAPPED.get(metric, metric)]
        np.testing.assert_allclose(table.value[1, twin], table.value[0, j], rtol=1e-9, atol=1e-9, err_msg=metric)


def test_the_made_up_speaker_is_lopsided_so_that_mirroring_is_a_test():
    table = values(session(3))
    column = {m: j for j, m in enumerate(table.metrics)}
    assert abs(table.value[0, column["tone_left_deg"]] - table.value[0, column["tone_right_deg"]]) > 1


@FAST
@given(seed=st.integers(0, 10**6))
def test_the_order_of_rows_changes_nothing(seed):
    table = values(session(seed), session(seed, order=np.random.default_rng(seed).permutation))
    np.testing.assert_array_equal(table.value[0], table.value[1])


@FAST
@given(seed=st.integers(0, 10**6), shift=st.floats(0, 1))
def test_where_the_raw_points_lie_between_grid_points_hardly_matters(seed, shift):
    f = 20 * 2 ** ((np.arange(480) + shift) / 48)
    table = values(session(seed), session(seed, frequency_hz=f))
    for metric in ("nbd_on_axis_db", "flatness_window_db", "preference", "di_power_mean_db"):
        j = table.metrics.index(metric)
        assert table.value[1, j] == pytest.approx(table.value[0, j], abs=0.05), metric


@FAST
@given(seed=st.integers(0, 10**6))
def test_finer_angles_give_the_same_metrics_as_their_10_degree_subset(seed):
    fine, coarse = session(seed, step=5), session(seed, step=10)
    assert len(derive.to_grid(fine).angle_deg) == 144
    table = values(fine, coarse)
    np.testing.assert_array_equal(table.value[0], table.value[1])


@FAST
@given(seed=st.integers(0, 10**6), where=st.floats(200, 8000), width_oct=st.floats(0.02, 0.9))
def test_a_gap_up_to_half_an_octave_is_bridged_and_a_wider_one_stays_unknown(seed, where, width_oct):
    s = session(seed)
    block = s.blocks[0]
    level = block.level_db.copy()
    hole = np.abs(np.log2(block.frequency_hz / where)) < width_oct / 2
    level[:, hole] = np.nan
    gridded = derive.to_grid(dataclasses.replace(s, blocks=(dataclasses.replace(block, level_db=level),)))
    left = block.frequency_hz[~hole]
    widest = np.log2(left[1:] / left[:-1]).max()
    inside = (grid.FREQUENCY_HZ > 20.5) & (grid.FREQUENCY_HZ < 19000)
    unknown = np.isnan(gridded.level_db[:, inside]).any()
    assert unknown == (widest > 0.5 + 1e-9)


def test_nan_in_one_curve_touches_only_what_needs_that_curve():
    s = session(11)
    block = s.blocks[0]
    level = block.level_db.copy()
    level[(block.angle_deg == 90) & block.horizontal] = np.nan
    holed = values(dataclasses.replace(s, blocks=(dataclasses.replace(block, level_db=level),)))
    whole = values(s)
    column = {m: j for j, m in enumerate(holed.metrics)}
    for metric in ("f6_hz", "nbd_on_axis_db", "flatness_window_db", "treble_balance_db"):
        assert holed.value[0, column[metric]] == whole.value[0, column[metric]]
    assert holed.reason[0, "preference"] == "horizontal 90° not measured"
    assert holed.reason[0, "di_power_mean_db"] == "horizontal 90° not measured"


def test_data_that_stop_early_withhold_only_what_lies_beyond():
    s = session(12, valid_from_hz=250.0, valid_to_hz=12500.0)
    table = values(s)
    column = {m: j for j, m in enumerate(table.metrics)}
    assert "the metric needs 100 Hz–10 kHz" in table.reason[0, "flatness_window_db"]
    assert table.value[0, column["di_power_mean_db"]] > 0
    assert table.censored[0, column["f6_hz"]] == 1
    assert 250 <= table.value[0, column["f6_hz"]] <= 260


@pytest.mark.parametrize(("smoothing", "withheld"), [(1 / 24, False), (1 / 12, False), (1 / 6, True), (1 / 3, True)])
def test_smoothing_wider_than_a_twelfth_withholds_the_shape_metrics(smoothing, withheld):
    table = values(session(5, smoothing_oct=smoothing))
    assert ((0, "nbd_on_axis_db") in table.reason) == withheld
    assert (0, "f6_hz") not in table.reason


def test_third_octave_data_withhold_the_shape_metrics():
    table = values(session(5, frequency_hz=1000 * 2 ** (np.arange(-17, 14) / 3)))
    assert table.reason[0, "flatness_on_axis_db"] == "raw data have 3 points per octave; shape metrics need 12"


def test_levels_measured_at_two_metres_are_referred_to_one():
    near, far = derive.to_grid(session(5)), derive.to_grid(session(5, level_is="spl_at_distance", distance_m=2.0))
    np.testing.assert_allclose(far.level_db - near.level_db, 6.02, atol=0.011)


def test_declared_symmetry_mirrors_the_horizontal_orbit_and_nothing_else():
    s = session(9, symmetric=True)
    block = s.blocks[0]
    half = (block.angle_deg >= 0) | ~block.horizontal
    one_side = CurveBlock(block.frequency_hz, block.horizontal[half], block.angle_deg[half], block.level_db[half])
    gridded = derive.to_grid(dataclasses.replace(s, blocks=(one_side,)))
    assert sorted(gridded.angle_deg[gridded.horizontal]) == list(range(-170, 181, 10))
    plain = dataclasses.replace(s, info=dataclasses.replace(s.info, symmetric=False), blocks=(one_side,))
    assert (0, "preference") in values(plain).reason


def test_two_different_axes_are_refused():
    from speakerdb.errors import DataError

    s = session(9)
    block = s.blocks[0]
    level = block.level_db.copy()
    level[(block.angle_deg == 0) & ~block.horizontal] += 1.5
    with pytest.raises(DataError) as stop:
        derive.to_grid(dataclasses.replace(s, blocks=(dataclasses.replace(block, level_db=level),)))
    assert "differ by 1.50 dB" in str(stop.value.items[0])
