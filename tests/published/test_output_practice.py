"""Output and distortion against common practice (no source where none is named) and against the physics of the demo
fleet.

The generator of the fleet is a model of its own (displacement, heat, port: seed_data/model); its sweeps without noise,
driven in steps, must lead back to the limits that it reaches when driven continuously.
"""

from __future__ import annotations

import numpy as np
import pytest

from seed_data.catalogue import catalogue
from seed_data.model import output as limits
from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.speaker import BAND, Field, field_of
from seed_data.model.strain import strain_of
from speakerdb.acoustics import electrical, grid, output
from speakerdb.acoustics.bounds import EXACT


@pytest.mark.parametrize(
    ("percent", "level_db"),
    [
        (3.0, -30.46),  # common practice, no source
        (10.0, -20.0),
        (1.0, -40.0),
        (100.0, 0.0),
    ],
)
def test_distortion_in_percent_is_20_log_of_the_ratio(percent, level_db):
    assert output.percent_to_db(percent) == pytest.approx(level_db, abs=0.005)


def test_102_db_asked_for_and_3_db_lost_is_99_db_delivered():
    """Common practice, no source."""
    drives = np.array([90.0, 96.0, 102.0, 108.0])
    loss = np.array([0.0, 0.0, 3.0, 9.0])
    level = np.repeat((drives - loss)[:, None], 199, axis=1)
    found = output.max_level(output.compression(drives, level)).level
    assert float(found.value) == pytest.approx(99.0)
    assert found.code == EXACT


def test_sensitivity_is_given_for_2_83_v_which_is_1_w_into_8_ohm():
    """Common practice, no source: V² = P·R. 1 W into 4 ohm is 2 V, 3 dB below it."""
    watts = electrical.WATT_VOLT**2 / 8.0
    assert watts == pytest.approx(1.0, abs=0.002)
    assert float(electrical.sensitivity(np.array(84.0), 2.0)) == pytest.approx(87.0, abs=0.02)


BENCH_DB = np.arange(68.0, 121.0, 4.0)  # a patient bench
CONTINUOUS_DB = np.arange(68.0, 121.0, 0.1)


def model(name: str) -> tuple[object, Field]:
    design = next(d for d in catalogue() if d.model == name)
    return design, field_of(design, design.settings)[0]


def on_grid(curves: np.ndarray) -> np.ndarray:
    return grid.to_grid(FREQUENCY_HZ, curves)


@pytest.mark.parametrize("name", ["Sill 5", "Bradawl 4", "Larder"])
def test_maximum_and_clean_levels_found_in_steps_are_those_of_a_continuous_drive(name):
    design, field = model(name)
    steps, continuous = strain_of(design, field, BENCH_DB), strain_of(design, field, CONTINUOUS_DB)
    reached = np.interp(3.0, continuous.loss_db - continuous.loss_db[0], CONTINUOUS_DB)
    found = output.max_level(output.compression(BENCH_DB, on_grid(steps.level_db)))
    # loss grows ever faster, so that a straight line between two drives passes 3 dB a little early
    assert reached - 3.0 - 0.5 < float(found.level.value) < reached - 3.0 + 0.02
    assert float(found.low_db) <= float(found.level.value) <= float(found.high_db)
    total = on_grid(20.0 * np.log10(continuous.total))
    for percent, band in ((10.0, output.BASS_BAND), (3.0, output.MID_BAND)):
        worst = output.smoothed_db(total)[:, band].max(axis=1)
        clean = CONTINUOUS_DB[worst <= output.percent_to_db(percent)]
        stepped = on_grid(20.0 * np.log10(steps.total))
        level = output.clean_level(output.distortion(BENCH_DB, stepped), percent, band)
        if level.code == EXACT:
            assert float(level.value) == pytest.approx(clean[-1], abs=1.0)
        else:
            assert not len(clean) or clean[-1] >= BENCH_DB[-1]


def test_a_sealed_woofer_gives_at_40_hz_no_more_than_the_air_it_moves():
    """p = ρ·ω²·Vd/(√2·4π·r): the level of a small source (Beranek & Mellow) at its rated travel, by the generator 10 %.

    The n-th harmonic is radiated louder than the fundamental, by n² at most (12 dB per octave): at a share r of the
    travel √((4·0.06·r)² + (9·0.08·r²)²) = 10 % for r = 0.306, which is 10.3 dB less.
    """
    design, field = model("Thimble")
    assert design.enclosure == "sealed"
    steps = strain_of(design, field, BENCH_DB)
    c = output.compression(BENCH_DB, on_grid(steps.level_db))
    axis = on_grid(steps.level_db)[0]
    total = on_grid(20.0 * np.log10(steps.total))
    usable = output.usable_output(c, output.distortion(BENCH_DB, total), (199,))
    usable = usable.moved(axis - axis[output.LEVEL_BAND].mean())
    moved = sum(np.pi * s.radius_m**2 * s.xmax_m for s in field.sources if s.role == "woofer")
    for hz in (40.0, 63.0):
        most = float(limits.displacement_limited_level_db(np.array([hz]), moved)[0])
        found = output.at_frequency(usable, hz)
        assert found.code == EXACT
        assert most - 10.3 < float(found.value) < most


def test_the_generator_and_the_definition_speak_of_one_band():
    assert FREQUENCY_HZ[BAND][0] == pytest.approx(300.0, rel=0.03)
    assert FREQUENCY_HZ[BAND][-1] == pytest.approx(3000.0, rel=0.03)
