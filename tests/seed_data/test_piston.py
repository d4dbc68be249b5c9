"""The piston: its beam, its nulls, its directivity factor; cones that let go and waveguides that hold."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j1, jn_zeros

from seed_data.model.air import SOUND_SPEED_M_S, wave_number
from seed_data.model.piston import HALF_PRESSURE_ARGUMENT, decoupled_radius, piston_directivity, waveguide_radius


def test_half_pressure_argument_solves_the_piston_equation() -> None:
    # Beranek & Mellow: 2·J1(x)/x = 1/2
    root = brentq(lambda x: 2.0 * j1(x) / x - 0.5, 1.0, 3.0)
    assert pytest.approx(root, abs=1e-4) == HALF_PRESSURE_ARGUMENT


@pytest.mark.parametrize("ka", [2.5, 5.0, 12.0])
def test_minus_6_db_half_angle_is_asin_2_215_over_ka(ka: float) -> None:
    angle = np.radians(np.linspace(0.0, 90.0, 9001))
    level = 20.0 * np.log10(np.abs(piston_directivity(np.array(ka), angle)))
    first = angle[np.flatnonzero(level <= 20.0 * np.log10(0.5))[0]]
    assert np.degrees(first) == pytest.approx(np.degrees(np.arcsin(2.2151 / ka)), abs=0.02)


def test_first_null_is_at_the_first_zero_of_j1() -> None:
    ka = 8.0
    assert abs(piston_directivity(np.array(ka), np.arcsin(jn_zeros(1, 1) / ka))[0]) < 1e-12


@pytest.mark.parametrize("ka", [0.5, 2.0, 6.0])
def test_directivity_factor_of_a_piston_in_a_baffle(ka: float) -> None:
    # Beranek & Mellow, from memory: Q = (ka)² / (1 − J1(2ka)/ka), re a source in full space
    integral, _ = quad(lambda t: float(piston_directivity(np.array(ka), np.array(t))) ** 2 * np.sin(t), 0.0, np.pi / 2)
    assert 2.0 / integral == pytest.approx(ka**2 / (1.0 - j1(2.0 * ka) / ka), rel=1e-6)


def test_waveguide_holds_its_angle_where_its_mouth_is_large() -> None:
    frequency = np.array([3000.0, 5000.0, 8000.0])
    radius = waveguide_radius(frequency, 0.0125, 0.075, 100.0)
    level = piston_directivity(wave_number(frequency) * radius, np.radians(50.0))
    np.testing.assert_allclose(level, 0.5, atol=1e-4)


def test_waveguide_is_its_mouth_when_the_wave_is_long_and_its_throat_when_it_is_short() -> None:
    radius = waveguide_radius(np.array([100.0, 1e5]), 0.0125, 0.075, 100.0)
    np.testing.assert_allclose(radius, [0.075, 0.0125])


def test_soft_cone_stops_narrowing_above_its_first_bending_mode() -> None:
    frequency = np.array([100.0, 20000.0, 40000.0])
    radius = decoupled_radius(frequency, 0.06, 2000.0)
    assert radius[0] == pytest.approx(0.06, rel=1e-4)
    assert radius[1] / radius[2] == pytest.approx(np.sqrt(2.0), rel=1e-3)  # a ∝ 1/√f: the beam narrows half as fast
    assert wave_number(np.array([1.0]))[0] == pytest.approx(2.0 * np.pi / SOUND_SPEED_M_S)
