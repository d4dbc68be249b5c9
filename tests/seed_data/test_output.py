"""What limits output, against the formulas of the field."""

import numpy as np
import pytest

from seed_data.model import output
from seed_data.model.air import DENSITY_KG_M3, REFERENCE_PA, SOUND_SPEED_M_S


def test_displacement_limited_power_follows_small() -> None:
    # R. H. Small 1972, from memory: P = (4π³ρ/c)·f⁴·Vd² radiated into half space, Vd peak
    frequency, volume = np.array([30.0, 50.0]), 4e-4
    power = 4.0 * np.pi**3 * DENSITY_KG_M3 / SOUND_SPEED_M_S * frequency**4 * volume**2
    pressure = np.sqrt(power / (2.0 * np.pi) * DENSITY_KG_M3 * SOUND_SPEED_M_S)
    level = output.displacement_limited_level_db(frequency, volume, full_space=False)
    np.testing.assert_allclose(level, 20.0 * np.log10(pressure / REFERENCE_PA), atol=1e-9)


def test_displacement_limited_level_rises_12_db_per_octave_and_6_per_doubled_volume() -> None:
    base = output.displacement_limited_level_db(np.array([40.0]), 1e-4)[0]
    assert output.displacement_limited_level_db(np.array([80.0]), 1e-4)[0] - base == pytest.approx(12.04, abs=0.01)
    assert output.displacement_limited_level_db(np.array([40.0]), 2e-4)[0] - base == pytest.approx(6.02, abs=0.01)
    half_space = output.displacement_limited_level_db(np.array([40.0]), 1e-4, full_space=False)[0]
    assert half_space - base == pytest.approx(6.02, abs=0.01)


def test_displacement_for_a_level_gives_that_level() -> None:
    frequency, area = np.array([35.0, 100.0]), 0.0133
    moved = output.displacement_m(np.array([92.0, 92.0]), frequency, area)
    for hz, x in zip(frequency, moved, strict=True):
        level = output.displacement_limited_level_db(np.array([hz]), float(x) * area, full_space=False)[0]
        assert level == pytest.approx(92.0, abs=1e-9)


def test_distortion_is_ten_percent_at_rated_displacement() -> None:
    second, third = output.displacement_distortion(np.array([1.0]))
    assert np.hypot(second, third)[0] == pytest.approx(0.10)


def test_second_harmonic_grows_one_and_third_two_db_per_db() -> None:
    for law in (
        output.displacement_distortion(np.array([0.1, 0.2])),
        output.motor_distortion(np.array([0.0, 6.02]), -50.0, -60.0),
    ):
        second, third = (20.0 * np.log10(h[1] / h[0]) for h in law)
        assert second == pytest.approx(6.02, abs=0.01)
        assert third == pytest.approx(12.04, abs=0.01)


def test_end_stops_hold_the_displacement() -> None:
    ratio = np.array([0.1, 10.0, 20.0])
    delivered = ratio * 10.0 ** (output.suspension_gain_db(ratio) / 20.0)
    assert delivered[0] == pytest.approx(0.1, rel=1e-4)
    assert delivered[2] == pytest.approx(delivered[1], rel=1e-3)  # it does not move any further
    assert delivered[1] == pytest.approx(1.6, rel=1e-2)


def test_hot_coil_draws_what_its_own_resistance_lets_it() -> None:
    power = np.array([5.0, 50.0])
    rise = output.coil_temperature_k(power, 3.0)
    np.testing.assert_allclose(rise, power * 3.0 / (1.0 + 0.0039 * rise))
    # Copper, 0.39 % per kelvin: a coil 100 K hotter has 1.39 times the resistance, 2.86 dB
    hundred = 100.0 * (1.0 + 0.39) / 3.0
    assert output.thermal_gain_db(hundred, 3.0) == pytest.approx(-2.86, abs=0.01)


def test_port_speed_is_volume_velocity_over_area() -> None:
    frequency, area, level = np.array([40.0]), 0.002, np.array([95.0])
    speed = output.port_speed_m_s(level, frequency, area)
    flow = output.displacement_m(level, frequency, area) * area * 2.0 * np.pi * frequency
    np.testing.assert_allclose(speed, flow / area)
    assert output.port_gain_db(np.array([20.0]))[0] == pytest.approx(-3.01, abs=0.01)


def test_multitone_high_passed_moves_the_cone_less() -> None:
    frequency = np.geomspace(20.0, 20000.0, 240)
    moved = output.displacement_m(np.full(frequency.shape, 90.0), frequency, 0.01)
    full = output.multitone_displacement_m(moved, frequency, 32.0)
    managed = output.multitone_displacement_m(moved, frequency, 80.0)
    assert full > 4.0 * managed


def test_multitone_of_equal_tones_sums_in_root_mean_square() -> None:
    frequency = np.geomspace(20.0, 20000.0, 240)
    assert output.multitone_displacement_m(np.full(240, 1e-3), frequency, 80.0) == pytest.approx(2e-3)
    assert output.intermodulation(0.5) < output.intermodulation(1.0)
