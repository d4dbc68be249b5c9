"""Against what handbooks, health bodies and common practice say about loudspeakers in rooms and the hours one may
listen."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import exposure, room
from speakerdb.analysis.seat import IN_PHASE_DB, PAIR_DB


@pytest.mark.parametrize(("dba", "hours"), [(85, 8.0), (88, 4.0), (91, 2.0), (94, 1.0), (97, 0.5), (100, 0.25)])
def test_niosh_table_of_recommended_exposure_limits(dba, hours):
    # NIOSH Publication 98-126, 1998, table 1-1 (from memory)
    assert exposure.niosh_hours_per_day(dba) == pytest.approx(hours)


@pytest.mark.parametrize(("dba", "hours"), [(80, 40.0), (83, 20.0)])
def test_weekly_allowance_of_who_and_itu(dba, hours):
    # ITU-T H.870 / WHO-ITU 2019 (from memory): 80 dB(A) for 40 h a week, 3 dB exchange; 75 dB(A) for sensitive
    # listeners
    assert exposure.who_hours_per_week(dba) == pytest.approx(hours)
    assert exposure.who_hours_per_week(dba - 5, sensitive=True) == pytest.approx(hours)


def test_no_limit_is_longer_than_the_day_or_the_week():
    assert exposure.niosh_hours_per_day(20.0) == 24.0
    assert exposure.who_hours_per_week(20.0) == 168.0


@pytest.mark.parametrize(("q", "volume_m3", "time_s"), [(1.0, 60.0, 0.4), (5.0, 90.0, 0.5), (10.0, 2000.0, 1.5)])
def test_critical_distance_is_where_the_full_equation_has_both_terms_equal(q, volume_m3, time_s):
    # Handbook: 0.057·√(QV/T), with R taken as A; the reverberant term alone is the full gain minus the direct one
    distance = float(room.critical_distance_m(q, volume_m3, time_s))
    absorption = room.absorption_m2(volume_m3, time_s)
    total = 10.0 ** (room.seat_gain_db(10.0 * np.log10(q), distance, absorption) / 10.0)
    direct = 1.0 / distance**2
    assert 10.0 * np.log10((total - direct) / direct) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("order", [(5.0, 4.0, 2.5), (4.0, 2.5, 5.0), (2.5, 5.0, 4.0)])
def test_the_surface_of_a_box_is_that_of_its_six_walls(order):
    assert room.box_surface_m2(*order) == pytest.approx(2 * (20.0 + 12.5 + 10.0))
    cube = room.box_surface_m2(3.0, 3.0, 3.0)
    assert room.typical_surface_m2(27.0) == pytest.approx(
        cube * 6.3 / 6.0
    )  # rooms of common proportions have a little more


def test_level_falls_by_six_decibels_per_doubling_far_inside_the_critical_distance_and_not_at_all_far_outside():
    constant = room.room_constant_m2(5000.0, 0.5, room.typical_surface_m2(5000.0))
    near = room.seat_gain_db(6.0, 0.1, constant) - room.seat_gain_db(6.0, 0.2, constant)
    far = room.seat_gain_db(0.0, 500.0, constant) - room.seat_gain_db(0.0, 1000.0, constant)
    assert near == pytest.approx(6.02, abs=0.01)
    assert far == pytest.approx(0.0, abs=0.01)


def test_two_equal_sources_give_three_decibels_uncorrelated_and_six_in_phase():
    assert pytest.approx(3.01, abs=0.005) == PAIR_DB
    assert pytest.approx(6.02, abs=0.005) == IN_PHASE_DB


@pytest.mark.parametrize("volume_m3", [40.0, 60.0, 90.0])
@pytest.mark.parametrize("di_db", [5.0, 6.5])
def test_a_pair_that_delivers_99_db_each_reaches_peaks_of_100_to_105_db_in_a_living_room(volume_m3, di_db):
    # Common practice, no source: at about 3 m (3.05 m), the coherent bass of both included as the upper bound
    constant = room.room_constant_m2(volume_m3, 0.4, room.typical_surface_m2(volume_m3))
    one = 99.0 + float(room.seat_gain_db(di_db, 3.05, constant))
    assert 100.0 <= one + IN_PHASE_DB <= 105.0
    assert one + PAIR_DB < one + IN_PHASE_DB


@pytest.mark.parametrize("distance_m", [0.25, 0.5, 1.0])
def test_a_wall_behind_puts_its_first_dip_at_a_quarter_wavelength(distance_m):
    # c/4d: the reflection comes back half a wavelength late
    f = np.linspace(10.0, 1.5 * room.first_dip_hz(distance_m), 20_001)
    added = room.boundary_power(f, distance_m, 0.0)
    assert f[np.argmin(added)] == pytest.approx(343.0 / (4.0 * distance_m), rel=1e-3)
    assert 10.0 * np.log10(added.min()) == pytest.approx(20.0 * np.log10(1.0 - 0.9), abs=0.01)


def test_a_wall_lifts_deep_bass_to_the_sum_of_both_paths_and_treble_by_the_sum_of_their_powers():
    rear = np.zeros(199)
    gain = room.boundary_gain_db(0.1, rear)
    assert gain[0] == pytest.approx(20.0 * np.log10(1.9), abs=0.05)
    far = room.boundary_gain_db(3.0, rear)
    np.testing.assert_allclose(far[-40:-3], 10.0 * np.log10(1.0 + 0.9**2), atol=0.7)


def test_a_wall_behind_a_speaker_that_radiates_nothing_backward_adds_nothing():
    np.testing.assert_allclose(room.boundary_gain_db(0.5, np.full(199, -200.0)), 0.0, atol=1e-6)


def test_an_omnidirectional_source_deep_in_the_reverberant_field_of_a_dead_room_is_heard_directly_only():
    assert room.room_constant_m2(60.0, 0.01, room.typical_surface_m2(60.0)) == np.inf
    assert room.seat_gain_db(0.0, 2.0, np.inf) == pytest.approx(-6.02, abs=0.005)


def test_reverberant_level_against_the_power_form_of_the_handbooks():
    # Lp = Lw + 10·log10(Q/4πr² + 4/R) (handbooks); an omnidirectional source of 0 dB at 1 m has Lw = 10·log10(4π) =
    # 10.99 dB
    distance, constant = 2.5, 30.0
    power_form = 10.0 * np.log10(4.0 * np.pi) + 10.0 * np.log10(1.0 / (4.0 * np.pi * distance**2) + 4.0 / constant)
    assert room.seat_gain_db(0.0, distance, constant) == pytest.approx(power_form)
