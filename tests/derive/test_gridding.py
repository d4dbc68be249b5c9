"""From a measured session to the grid: levels at 1 m, one resolution, one axis, drives where they say."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.acoustics import grid
from speakerdb.errors import DataError
from speakerdb.session import CurveBlock, Impedance, Session, SphereBlock, Sweep
from tests.store.builders import info

F_HZ = 20 * 2 ** (np.arange(240) / 24)
LEVEL_DB = 85.0 + 2.0 * np.sin(np.log2(F_HZ))


def block(angles, horizontal=True, f=F_HZ, shift_db=0.0):
    level = np.interp(np.log2(f), np.log2(F_HZ), LEVEL_DB) + shift_db
    a = np.array(angles, float)
    return CurveBlock(f, np.full(len(a), horizontal), a, level - 0.05 * np.abs(a)[:, None])


def session(*blocks, **changes):
    extra = {k: changes.pop(k) for k in ("sphere", "compression", "distortion", "impedance") if k in changes}
    return Session("made", info(**changes), blocks, **extra)


def test_levels_are_kept_to_a_hundredth_of_a_db():
    level = derive.to_grid(session(block([0, 10]))).level_db
    assert level.dtype == np.float32
    np.testing.assert_allclose(level.astype(float), np.round(level.astype(float), 2), atol=1e-5)


def test_every_measured_angle_is_kept_also_those_between_the_10_degree_steps():
    gridded = derive.to_grid(session(block([0, 2.5, 5, 10]), block([0, 5], horizontal=False)))
    assert gridded.angle_deg.tolist() == [0, 2.5, 5, 10, 0, 5]
    assert gridded.horizontal.tolist() == [True] * 4 + [False] * 2


def test_blocks_may_have_frequencies_of_their_own():
    coarse = 1000 * 2 ** (np.arange(-17, 14) / 3)
    gridded = derive.to_grid(session(block([0, 10]), block([0, 10], horizontal=False, f=coarse)))
    assert gridded.level_db.shape == (4, 199)
    assert gridded.resolution_per_octave == 3  # the lowest found counts


def test_one_sparse_curve_lowers_the_resolution_of_its_session():
    plain = block([0, 10, 20])
    level = plain.level_db.copy()
    level[2, np.arange(240) % 4 > 0] = np.nan  # every fourth point: 6 per octave
    sparse = dataclasses.replace(plain, level_db=level)
    assert derive.to_grid(session(plain)).resolution_per_octave == 24
    assert derive.to_grid(session(sparse)).resolution_per_octave == 6


def test_a_hole_in_a_curve_far_off_the_axis_lowers_nobodys_resolution():
    plain = block([0, 10, 120])
    level = plain.level_db.copy()
    level[2, (F_HZ > 900) & (F_HZ < 2000)] = np.nan
    assert derive.to_grid(session(dataclasses.replace(plain, level_db=level))).resolution_per_octave == 24


def test_points_outside_the_valid_range_do_not_count_for_the_resolution():
    below = np.concatenate([np.arange(20.0, 400.0, 40.0), np.arange(400.0, 20000.0, 10.0)])
    assert derive.to_grid(session(block([0], f=below))).resolution_per_octave < 12
    assert derive.to_grid(session(block([0], f=below), valid_from_hz=400.0)).resolution_per_octave == 40


@pytest.mark.parametrize("shift_db", [-1.02, 1.02, 5.0])
def test_two_axes_that_differ_are_refused_with_by_how_much(shift_db):
    with pytest.raises(DataError) as caught:
        derive.to_grid(session(block([0, 10]), block([0, 10], horizontal=False, shift_db=shift_db)))
    (item,) = caught.value.items
    assert item.folder == "made"
    assert f"{abs(shift_db):.2f} dB" in item.found


def test_two_axes_within_a_decibel_stand():
    derive.to_grid(session(block([0, 10]), block([0, 10], horizontal=False, shift_db=0.98)))


def test_all_that_is_wrong_comes_at_once():
    wrong = (
        Sweep(80.0, None, F_HZ, LEVEL_DB + 20),
        Sweep(80.0, None, F_HZ, LEVEL_DB),
        Sweep(90.0, None, F_HZ, LEVEL_DB),
    )
    with pytest.raises(DataError) as caught:
        derive.to_grid(session(block([0]), block([0], horizontal=False, shift_db=3.0), compression=wrong))
    assert {i.file for i in caught.value.items} == {"responses", "compression"}
    assert len(caught.value.items) == 3  # axes, a drive twice, a lowest sweep that is elsewhere


def test_declared_symmetry_keeps_what_was_measured_on_both_sides():
    both = CurveBlock(F_HZ, np.ones(4, bool), np.array([0.0, 10, 20, -20]), np.array([LEVEL_DB + k for k in range(4)]))
    gridded = derive.to_grid(session(both, symmetric=True))
    assert sorted(gridded.angle_deg) == [-20, -10, 0, 10, 20]
    level = dict(zip(gridded.angle_deg, gridded.level_db, strict=True))
    np.testing.assert_array_equal(level[-10.0], level[10.0])
    assert not np.array_equal(level[-20.0], level[20.0])


# --- the full sphere


def sphere(step=30, upper_only=False):
    azimuth, elevation = np.meshgrid(np.arange(-180 + step, 181, step), np.arange(-90 + step, 90, step))
    a = np.concatenate([azimuth.ravel(), [0, 0]]).astype(float)
    e = np.concatenate([elevation.ravel(), [90, -90]]).astype(float)
    if upper_only:
        a, e = a[e == 0], e[e == 0]
    return SphereBlock(F_HZ, a, e, np.tile(LEVEL_DB, (len(a), 1)))


def test_an_even_sphere_radiates_its_level():
    gridded = derive.to_grid(session(block([0]), sphere=sphere()))
    np.testing.assert_allclose(gridded.sphere_power_db, gridded.level_db[0], atol=0.011)


def test_directions_in_one_plane_give_no_sphere_and_no_error():
    gridded = derive.to_grid(session(block([0]), sphere=sphere(upper_only=True)))
    assert gridded.sphere_power_db is None
    table = derive.derive([gridded]).values
    assert table.reason[0, "di_sphere_mean_db"] == "no full sphere measured"


# --- impedance


def test_impedance_is_averaged_on_a_logarithmic_scale_and_kept_in_ohm():
    gridded = derive.to_grid(session(block([0]), impedance=Impedance(F_HZ, np.full(240, 5.5), None)))
    measured = gridded.impedance_ohm[:-1]  # the measurement ends at 19.4 kHz
    np.testing.assert_allclose(measured, 5.5, atol=1e-3)


def test_a_narrow_measurement_ends_within_half_a_step_of_its_own_ends():
    narrow = F_HZ[(F_HZ > 90) & (F_HZ < 1100)]
    measured = grid.FREQUENCY_HZ[~np.isnan(derive.to_grid(session(block([0], f=narrow))).level_db[0])]
    step = 2 ** (1 / 20)
    assert narrow[0] <= measured[0] < narrow[0] * step
    assert narrow[-1] / step < measured[-1] <= narrow[-1]
