"""Whole speakers: do the parts add up to something that behaves like a loudspeaker?"""

from dataclasses import replace

import numpy as np
import pytest

from seed_data.catalogue import catalogue
from seed_data.model import crossover
from seed_data.model.air import FREQUENCY_HZ, level_db
from seed_data.model.design import PLAIN, Design, Voicing, sources
from seed_data.model.output import displacement_limited_level_db
from seed_data.model.speaker import BAND, Field, field_of
from seed_data.model.strain import strain_of

DESIGNS = {design.model: design for design in catalogue()}
EVEN = Voicing(evened_over_oct=0.3)  # digital: the drivers' centres are aligned in time


def _at(hz: float) -> int:
    return int(np.argmin(np.abs(FREQUENCY_HZ - hz)))


def _plain(design: Design, orbit_deg: np.ndarray | None = None) -> Field:
    return field_of(design, (PLAIN,), *([] if orbit_deg is None else [orbit_deg]))[0]


def _curve(field: Field, horizontal: bool, angle: float) -> np.ndarray:
    return field.level_db[(field.horizontal == horizontal) & (field.angle_deg == angle)][0]


def test_a_two_way_cancels_below_the_axis_at_the_predicted_angle() -> None:
    design = replace(DESIGNS["Pail+"], voicing=EVEN, coverage_deg=None, mouth_cm=None, care=1.0)
    woofer = next(s for s in sources(design) if s.role == "woofer")
    corner = design.crossover_hz[0]
    orbit = np.arange(-170.0, 181.0, 1.0)
    field = _plain(design, np.concatenate([orbit]))
    below = (~field.horizontal) & (field.angle_deg <= -5) & (field.angle_deg >= -70)
    angle, level = -field.angle_deg[below], field.level_db[below][:, _at(corner)]
    expected = crossover.null_angle_deg(corner, -woofer.position_m[2])
    assert angle[np.argmin(level)] == pytest.approx(expected, abs=4.0)
    assert level.min() < _curve(field, False, 0.0)[_at(corner)] - 12.0


def test_coaxial_speakers_hold_their_tone_upward_where_stacked_ones_do_not() -> None:
    band = (FREQUENCY_HZ > 300) & (FREQUENCY_HZ < 10000)

    def change(design: Design) -> float:
        field = _plain(design)
        difference = _curve(field, False, 20.0) - _curve(field, False, 0.0)
        return float(np.std(difference[band]))

    assert change(DESIGNS["Adze"]) < 1.5 < change(DESIGNS["Sill 6"])


def test_directivity_rises_with_frequency() -> None:
    field = _plain(DESIGNS["Lintel 2"])
    off_axis = _curve(field, True, 60.0) - _curve(field, True, 0.0)
    assert abs(off_axis[_at(80)]) < 1.0
    assert off_axis[_at(12000)] < -6.0


def test_drivers_of_every_design_add_up_on_the_axis() -> None:
    band = (FREQUENCY_HZ >= 200) & (FREQUENCY_HZ <= 12000)
    for design in catalogue():
        if design.kind != "subwoofer":
            on_axis = _curve(_plain(design), True, 0.0)[band]
            assert np.mean(on_axis) - on_axis.min() < 7.0, design.model


def test_left_and_right_are_alike() -> None:
    field = _plain(DESIGNS["Sill 5"])
    np.testing.assert_allclose(_curve(field, True, 50.0), _curve(field, True, -50.0), atol=1e-6)


def test_bass_goes_all_round() -> None:
    field = _plain(DESIGNS["Sill 5"])
    bass = field.level_db[:, _at(60)]
    assert np.ptp(bass) < 2.0


def test_passive_speakers_have_ordinary_sensitivities() -> None:
    for design in catalogue():
        if not design.powered:
            assert 80.0 < _plain(design).reference_db < 94.0, design.model


def test_settings_change_the_bass_and_leave_the_middle() -> None:
    design = DESIGNS["Bradawl 5"]
    plain, desk, wall = field_of(design, design.settings)
    for other, hz in ((desk, 170.0), (wall, 80.0)):
        change = _curve(other, True, 0.0) - _curve(plain, True, 0.0)
        assert change[_at(hz)] < -2.5
        assert abs(change[_at(2000)]) < 0.3


def test_plugging_the_port_trades_reach_for_a_gentler_slope() -> None:
    design = DESIGNS["Sill 5"]
    opened, plugged = field_of(design, design.settings)
    change = _curve(plugged, True, 0.0) - _curve(opened, True, 0.0)
    assert change[_at(60)] < -2.0
    assert change[_at(22)] > 3.0


def test_lowest_drive_delivers_what_it_asks_for() -> None:
    for model in ("Sill 5", "Bradawl 5", "Ridge", "Creel"):
        design = DESIGNS[model]
        strain = strain_of(design, _plain(design), np.array([68.0]))
        assert np.mean(strain.level_db[0, BAND]) == pytest.approx(68.0, abs=0.2), model


def test_a_sealed_woofer_reaches_ten_percent_near_its_displacement_limit() -> None:
    design = replace(DESIGNS["Thimble"], care=1.0, voicing=EVEN, bass_hz=20.0, size_mm=(900, 600, 600))
    field = _plain(design)
    hz = 50.0
    area = np.pi * (design.woofer_cm / 200.0) ** 2
    limit = displacement_limited_level_db(np.array([hz]), area * design.xmax_mm / 1000.0)[0]
    under_reference = level_db(np.sum(field.axis, axis=0))[_at(hz)]
    strain = strain_of(design, field, np.array([limit - under_reference]))
    # flat from 20 Hz, in a box big enough not to need heat for it: harmonics and fundamental meet the same response, so
    # the motor's 10 % arrive as about 10 % (the end stop takes 0.6 dB off the fundamental)
    assert 20.0 * np.log10(strain.total[0, _at(hz)]) == pytest.approx(-20.0, abs=1.5)


def test_distortion_and_loss_rise_with_drive() -> None:
    design = DESIGNS["Weir 3"]
    strain = strain_of(design, _plain(design), np.array([86.0, 92.0, 98.0, 104.0]))
    assert np.all(np.diff(strain.loss_db) > 0.0)
    assert np.all(np.diff(strain.total[:, _at(60)]) > 0.0)
    assert np.all(np.diff(strain.multitone[:, _at(500)]) > 0.0)


def test_high_passing_relieves_a_small_two_way_more_than_a_three_way() -> None:
    def relief(model: str) -> float:
        strain = strain_of(DESIGNS[model], _plain(DESIGNS[model]), np.array([92.0]))
        return float(20.0 * np.log10(strain.multitone / strain.multitone_hp80)[0, _at(800)])

    assert relief("Sill 4") > relief("Penstock") + 3.0


def test_limiter_of_a_powered_speaker_ends_the_output() -> None:
    design = DESIGNS["Threepence"]
    strain = strain_of(design, _plain(design), np.array([104.0, 110.0]))
    delivered = strain.drive_db - strain.loss_db
    assert delivered[1] - delivered[0] < 0.5
    assert delivered[1] < design.limit_db + 1.0
