"""Against a real measurement: L. Aspöck et al., "BRAS – Benchmark for Room Acoustical Simulation", 2019,
doi 10.14279/depositonce-6726.3 (CC BY-SA 4.0; see tests/data/README.md)."""

from __future__ import annotations

import dataclasses
import shutil

import numpy as np
import pytest

import speakerdb
from speakerdb import derive, formats
from speakerdb.acoustics import grid, output, programme, roompower
from tests.folders import toml_text
from tests.published.monitor_room_power import FILE, errors, monitor

KEYS = {
    "maker": "Measured",
    "model": "Studio monitor",
    "kind": "monitor",
    "powered": True,
    "lab": "published",
    "method": "anechoic",
    "date": "2019-01-01",
    "sample": "1",
    "setting": "equalised",
    "level_is": "relative",
}


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "monitor"
    place.mkdir()
    shutil.copy(FILE, place / "responses.sofa")
    (place / "session.toml").write_text(toml_text(KEYS))
    return place


@pytest.fixture
def gridded(folder):
    return derive.to_grid(formats.read_session(folder))


def test_two_orbits_give_the_sound_power_of_all_614_directions_up_to_1600_hz_and_miss_lobes_near_3_khz(gridded):
    centres, expected = monitor().hz, monitor().sphere_power_db()
    sound_power = derive.derive([gridded]).summary["sound_power"][0]
    apart = np.interp(np.log2(centres), grid.LOG2_HZ, sound_power) - expected
    low = (centres >= 50) & (centres <= 1600)
    assert low.sum() >= 15
    assert np.abs(apart[low]).max() <= 0.2
    # the known limit of the standard method: lobes between the orbits (about 1.5 dB near 3 kHz for this monitor)
    near = (centres > 2400) & (centres < 3400)
    assert np.abs(apart[near]).max() == pytest.approx(1.5, abs=0.4)


def test_where_a_full_sphere_is_held_its_power_is_kept_beside_that_of_the_orbits(gridded):
    centres, expected = monitor().hz, monitor().sphere_power_db()
    assert gridded.sphere_power_db is not None
    inside = (grid.FREQUENCY_HZ >= 50) & (grid.FREQUENCY_HZ <= 16000)
    found = gridded.sphere_power_db[inside]
    # between the third-octave centres each direction is interpolated in dB, here only their average is
    np.testing.assert_allclose(found, np.interp(grid.LOG2_HZ[inside], np.log2(centres), expected), atol=0.2)


def rms(values):
    return np.sqrt(np.mean(values**2))


def test_room_power_from_both_orbits_is_that_of_all_directions_also_where_the_crossover_lobes():
    # `python -m tests.published.monitor_room_power` prints the table
    found = errors()
    heard = (found.hz > 49.0) & (found.hz < 10100.0)
    assert heard.sum() == 24
    assert rms(found.power_db[heard]) < roompower.ERROR_RMS_DB
    assert np.abs(found.power_db[heard]).max() < roompower.ERROR_MOST_DB / 4  # it lobes less than the hardest do
    lobes = (found.hz > 1900.0) & (found.hz < 10100.0)
    assert (np.abs(found.power_db) < np.abs(found.standard_db))[lobes].all()


def test_in_front_levels_between_the_orbits_are_nearer_than_those_of_the_nearest_angle_in_every_band_from_1_khz_up():
    # behind, where little power goes, they are no nearer (see the table); power is what is claimed, not single levels
    found = errors()
    beams = found.hz > 950.0
    assert beams.sum() == 14
    assert (found.level_front_rms_db < found.nearest_front_rms_db)[beams].all()
    assert rms(found.level_front_rms_db[beams]) < 0.7 * rms(found.nearest_front_rms_db[beams])
    assert rms(found.level_rms_db[beams]) < 1.05 * rms(found.nearest_rms_db[beams])


def test_rooms_take_the_power_of_the_measured_sphere_where_there_is_one(gridded):
    summary = derive.derive([gridded]).summary
    without = derive.derive([dataclasses.replace(gridded, sphere_power_db=None)]).summary
    window = output.smoothed_db(summary["listening_window"].astype(np.float64))[0]
    expected = (window - output.smoothed_db(gridded.sphere_power_db.astype(np.float64)))[programme.POINTS]
    known = np.isfinite(expected)
    assert known.sum() >= 24
    np.testing.assert_allclose(summary["di_room"][0, programme.POINTS][known], expected[known], atol=0.011)
    apart = (without["di_room"] - summary["di_room"])[0, programme.POINTS][known]
    assert 0.1 < np.abs(apart).max() < roompower.ERROR_MOST_DB


def test_shape_and_absolute_levels_are_withheld_with_the_reason_and_directivity_stands(folder, tmp_path):
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        (result,) = base.ingest(folder)
        assert result.result == "stored"
        rows = {r["metric"]: r for r in base.show("monitor").rows.iter_rows(named=True) if r["session"] is None}
    for metric in ("flatness_window_db", "nbd_on_axis_db", "smoothness_in_room", "preference", "ripple_in_room_db"):
        assert rows[metric]["reason"] == "raw data have 3 points per octave; shape metrics need 12"
        assert rows[metric]["value"] is None
    for metric in ("reference_level_db", "max_level_db", "sensitivity_db", "clean_level_mid_db"):
        assert rows[metric]["reason"] == "levels are relative"
    for metric in (
        "di_power_mean_db",
        "di_sphere_mean_db",
        "beamwidth_horizontal_deg",
        "beamwidth_vertical_deg",
        "tone_left_deg",
        "tone_up_deg",
        "turning_sensitivity_db",
        "di_early_ripple_db",
    ):
        assert rows[metric]["status"] == "ok", rows[metric]
    # equalised on the axis: two-way monitors of this size radiate into a directivity index of some 4 to 8 dB (no
    # source)
    assert 3 < rows["di_power_mean_db"]["value"] < 9


def test_it_can_be_matched_against_itself_under_another_name(folder, tmp_path):
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        base.ingest(folder)
        (folder / "session.toml").write_text(toml_text({**KEYS, "model": "Twin"}))
        base.ingest(folder)
        row = base.match("measured-studio-monitor").rows.row(0, named=True)
    assert row["speaker"] == "measured-twin"
    assert row["distance_db"] == pytest.approx(0.0, abs=1e-6)
