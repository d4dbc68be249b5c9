"""Flatness of early reflections against formulas: a sine about a line has a standard deviation of its amplitude over
√2."""

from __future__ import annotations

import numpy as np
import pytest

import speakerdb
from seed_data.generate import FLEET
from speakerdb import derive
from speakerdb.acoustics import curveset, grid
from speakerdb.session import GridSession
from tests.store.builders import info

ID = "flatness_early_reflections_db"
OCTAVES = np.log2(grid.FREQUENCY_HZ / 1000.0)
HORIZONTAL = "hollin-tarn-distaff_attic_2025-02-14_2165_plain"


def told(level_db, resolution=24.0):
    """(value, reason) of a session with levels (72, 199)."""
    side = np.repeat([True, False], curveset.PER_ORBIT)
    session = GridSession(info(), side, np.tile(curveset.ANGLES_DEG.astype(float), 2), level_db, resolution)
    table = derive.derive([session], [ID]).values
    return float(table.value[0, 0]), table.reason.get((0, ID))


def everywhere(curve_db):
    return np.tile(curve_db, (curveset.SLOTS, 1)).astype(np.float32)


@pytest.mark.parametrize("amplitude_db", [0.0, 0.5, 2.0])
def test_a_ripple_counts_by_its_amplitude_and_a_tilt_does_not(amplitude_db):
    ripple = amplitude_db * np.sin(2.0 * np.pi * 3.0 * OCTAVES)  # three to the octave: 20 whole periods and a bit
    value, reason = told(everywhere(85.0 - 1.5 * OCTAVES + ripple))
    assert value == pytest.approx(amplitude_db / np.sqrt(2.0), rel=0.02, abs=1e-5)
    assert reason is None


def test_only_what_the_walls_send_back_counts():
    """The angles of no bounce may be as uneven as they like."""
    level = everywhere(85.0 - OCTAVES)
    poles = {slot for both in curveset.POLES for slot in both}  # of both orbits
    others = [s for s in range(curveset.SLOTS) if not curveset.ER_WEIGHTS[s] and s not in poles]
    level[others] += 5.0 * np.sin(9.0 * OCTAVES)
    assert told(level)[0] == pytest.approx(0.0, abs=1e-5)


def test_missing_angles_and_coarse_data_are_named():
    level = everywhere(85.0 - OCTAVES)
    assert told(level, resolution=6.0)[1] == "raw data have 6 points per octave; shape metrics need 12"
    level[curveset.PER_ORBIT :] = np.nan
    level[curveset.V_AXIS] = level[curveset.ON_AXIS]
    assert told(level)[1] == "no vertical orbit"


def test_a_session_of_the_horizontal_orbit_alone_is_stored_without_it_and_explained(tmp_path):
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        (result,) = base.ingest(FLEET / HORIZONTAL)
        assert result.result == "stored"
        found = base.explain("distaff", ID)
    assert found.curve["part"] == "early_reflections"
    assert found.curve["words"] == "early reflections"
    row = found.pooled
    assert row["status"] == "withheld"
    assert row["reason"] == "no vertical orbit"
