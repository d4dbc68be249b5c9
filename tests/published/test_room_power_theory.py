"""Room power against sources whose power is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import eval_legendre, j1, spherical_jn, spherical_yn

from speakerdb.acoustics import curveset, roompower

ANGLES = np.radians(curveset.ANGLES_DEG.astype(float))
AWAY = np.tile(np.abs(ANGLES), 2)  # of all slots from the axis
WIDTH = np.concatenate([np.sin(ANGLES), np.zeros(36)])  # y of all slots' directions
HEIGHT = np.concatenate([np.zeros(36), np.sin(ANGLES)])  # z
TINY = 1e-9


def power_of(pressure):
    """Mean p² over the sphere that is found for pressure (72,) or (72, F) in the slots' directions."""
    level = 20.0 * np.log10(np.maximum(np.abs(pressure), TINY))
    found = roompower.room_power(level[:, None] if level.ndim == 1 else level)
    return 10.0 ** (found / 10.0)


def off_db(found, expected):
    return 10.0 * np.log10(found / expected)


def test_an_omnidirectional_source_gives_the_room_what_it_gives_the_axis():
    np.testing.assert_allclose(roompower.room_power(np.full((72, 3), 87.0)), 87.0, atol=1e-9)


@pytest.mark.parametrize("omni", [0.0, 0.25, 0.366, 0.5, 0.7], ids=lambda a: f"{a} + {1 - a:.3g} cos")
def test_dipole_cardioid_and_what_lies_between(omni):
    # mean of (a + (1 − a)·cos)² over the sphere is a² + (1 − a)²/3: dipole and cardioid both 1/3, directivity factor 3,
    # 4.77 dB (Beranek & Mellow, Acoustics); a = 1/4, the hypercardioid, 4, 6.02 dB
    found = power_of(omni + (1.0 - omni) * np.cos(AWAY))
    assert off_db(found, omni**2 + (1.0 - omni) ** 2 / 3.0) == pytest.approx(0.0, abs=0.05)


def cap_on_a_sphere(ka, half_angle_deg, orders=60):
    """Legendre coefficients (n,) of the far field of a rigid sphere with a moving cap (Morse & Ingard, Theoretical
    Acoustics, piston set in a sphere; from memory): p ∝ Σ (−i)^n·[P_{n−1}(cos α) − P_{n+1}(cos α)]/h'_n(ka)·P_n(cos θ).
    """
    n, edge = np.arange(orders), np.cos(np.radians(half_angle_deg))
    moving = np.where(n == 0, 1.0, eval_legendre(np.maximum(n - 1, 0), edge)) - eval_legendre(n + 1, edge)
    slope = spherical_jn(n, ka, derivative=True) + 1j * spherical_yn(n, ka, derivative=True)
    return (-1j) ** n * moving / slope


@pytest.mark.parametrize("ka", [0.2, 0.5, 1.0, 2.0, 4.0, 7.0, 10.0])
@pytest.mark.parametrize("half_angle_deg", [15.0, 30.0, 60.0])
def test_a_piston_in_a_sphere_from_omnidirectional_to_a_narrow_beam(ka, half_angle_deg):
    # the functions P_n are orthogonal, with mean squares of 1/(2n + 1) over the sphere
    terms = cap_on_a_sphere(ka, half_angle_deg)
    order = np.arange(len(terms))
    expected = float(np.sum(np.abs(terms) ** 2 / (2 * order + 1)))
    found = power_of(terms @ eval_legendre(order[:, None], np.cos(AWAY)))
    assert off_db(found, expected) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("ka", [3.5, 4.0, 5.0, 6.0, 8.0])
def test_a_piston_in_a_baffle_has_the_directivity_factor_of_its_formula(ka):
    # Q = (ka)²/(1 − J1(2ka)/ka) (Kinsler et al., Fundamentals of Acoustics, from memory), nothing behind; wider beams
    # end at 90° in a step that angles 10° apart can't show
    x = np.maximum(ka * np.sin(AWAY), TINY)
    found = power_of(np.where(np.cos(AWAY) > -1e-6, 2.0 * j1(x) / x, 0.0))
    assert off_db(found, (1.0 - j1(2.0 * ka) / ka) / ka**2) == pytest.approx(0.0, abs=0.1)


# Points along a line: places in wavelengths/2π (that is k·z), strengths
LINES = {
    "a pair in phase": ([-1.5, 1.5], [1, 1]),
    "a pair, lobing upward": ([-1.5, 1.5], [1, np.exp(1.2j)]),
    "a pair with a dip on the axis": ([-2.0, 2.0], [1, np.exp(2.6j)]),
    "a pair that all but cancels on the axis": ([-2.0, 2.0], [1, -0.8]),
    "a close pair": ([-0.4, 0.4], [1, np.exp(0.5j)]),
    "a woofer, a tweeter and a second woofer": ([-3.0, 0.0, 3.0], [0.5, 1, 0.5]),
    "two woofers below a tweeter": ([0.0, -2.0, -4.5], [1, 0.6 * np.exp(0.7j), 0.5 * np.exp(1.0j)]),
    "a short line": (np.linspace(-3.0, 3.0, 9), np.ones(9)),
}


@pytest.mark.parametrize("along", [HEIGHT, WIDTH], ids=["column", "row"])
@pytest.mark.parametrize("line", LINES)
def test_points_along_a_line_in_phase_or_not(line, along):
    # the mean over the sphere of exp(ik(z_i − z_j)·cos) is sin(u)/u, u = k(z_i − z_j) (Beranek & Mellow, Acoustics, of
    # arrays)
    place, strength = (np.asarray(part) for part in LINES[line])
    apart = np.sinc((place[:, None] - place) / np.pi)
    expected = float(np.real(strength @ apart @ np.conj(strength)))
    found = power_of(np.exp(1j * np.outer(along, place)) @ strength)
    assert off_db(found, expected) == pytest.approx(0.0, abs=0.1)
