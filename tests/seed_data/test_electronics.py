"""Filters and limiters of the powered speakers."""

import numpy as np
import pytest

from seed_data.model.air import level_db
from seed_data.model.electronics import bell, high_shelf, limiter_gain_db, low_shelf


@pytest.mark.parametrize("gain", [-6.0, 4.0])
def test_shelves_reach_their_gain_and_half_of_it_at_the_corner(gain: float) -> None:
    frequency = np.array([0.01, 200.0, 1e7])
    np.testing.assert_allclose(level_db(low_shelf(frequency, 200.0, gain)), [gain, gain / 2.0, 0.0], atol=0.01)
    np.testing.assert_allclose(level_db(high_shelf(frequency, 200.0, gain)), [0.0, gain / 2.0, gain], atol=0.01)


def test_bell_reaches_its_gain_at_the_centre_only() -> None:
    level = level_db(bell(np.array([1.0, 1000.0, 1e6]), 1000.0, 2.0, -5.0))
    np.testing.assert_allclose(level, [0.0, -5.0, 0.0], atol=0.01)


def test_cut_undoes_the_same_boost() -> None:
    frequency = np.geomspace(20.0, 20000.0, 50)
    both = bell(frequency, 500.0, 3.0, 4.0) * bell(frequency, 500.0, 3.0, -4.0)
    np.testing.assert_allclose(both, 1.0, atol=1e-12)


def test_limiter_lets_quiet_signals_through_and_holds_loud_ones() -> None:
    gain = limiter_gain_db(np.array([-20.0, 0.0, 20.0]), 6.0)
    np.testing.assert_allclose(gain, [0.0, -6.02 / 6.0, -20.0], atol=0.01)
