"""Crossovers: the halves add up on the axis and cancel where theory says."""

import numpy as np
import pytest
from scipy import signal

from seed_data.model import crossover
from seed_data.model.air import SOUND_SPEED_M_S, level_db
from seed_data.model.speaker import orbit_directions

FREQUENCY = np.geomspace(50.0, 20000.0, 120)


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_butterworth_against_scipy(order: int) -> None:
    b, a = signal.butter(order, 2.0 * np.pi * 2000.0, btype="low", analog=True)
    _, expected = signal.freqs(b, a, 2.0 * np.pi * FREQUENCY)
    np.testing.assert_allclose(crossover.butterworth_low(FREQUENCY, 2000.0, order), expected, atol=1e-9)
    b, a = signal.butter(order, 2.0 * np.pi * 2000.0, btype="high", analog=True)
    _, expected = signal.freqs(b, a, 2.0 * np.pi * FREQUENCY)
    np.testing.assert_allclose(crossover.butterworth_high(FREQUENCY, 2000.0, order), expected, atol=1e-9)


@pytest.mark.parametrize("order", [2, 4])
def test_linkwitz_riley_halves_add_to_an_all_pass(order: int) -> None:
    low, high = crossover.low_pass(FREQUENCY, 2500.0, order), crossover.high_pass(FREQUENCY, 2500.0, order)
    np.testing.assert_allclose(level_db(low + crossover.polarity(order) * high), 0.0, atol=1e-9)


def test_linkwitz_riley_crosses_at_minus_6_db_and_butterworth_at_minus_3() -> None:
    at = np.array([2500.0])
    assert level_db(crossover.low_pass(at, 2500.0, 4))[0] == pytest.approx(-6.02, abs=0.01)
    assert level_db(crossover.low_pass(at, 2500.0, 3))[0] == pytest.approx(-3.01, abs=0.01)


def test_third_order_butterworth_halves_keep_the_sum_flat_either_way_round() -> None:
    low, high = crossover.low_pass(FREQUENCY, 2500.0, 3), crossover.high_pass(FREQUENCY, 2500.0, 3)
    np.testing.assert_allclose(level_db(low + high), 0.0, atol=1e-9)
    np.testing.assert_allclose(level_db(low - high), 0.0, atol=1e-9)


def test_two_drivers_cancel_at_the_predicted_angle() -> None:
    spacing, corner = 0.17, 2200.0
    at = np.array([corner])
    angle = np.arange(0.0, 90.0, 0.01)
    directions = orbit_directions(angle, False)
    k = 2.0 * np.pi * corner / SOUND_SPEED_M_S
    low, high = crossover.low_pass(at, corner, 4)[0], crossover.high_pass(at, corner, 4)[0]
    total = high + low * np.exp(1j * k * directions[:, 2] * -spacing)
    null = angle[np.argmin(np.abs(total))]
    assert null == pytest.approx(crossover.null_angle_deg(corner, spacing), abs=0.02)


def test_drivers_closer_than_half_a_wave_never_cancel() -> None:
    assert np.isnan(crossover.null_angle_deg(1000.0, 0.15))
