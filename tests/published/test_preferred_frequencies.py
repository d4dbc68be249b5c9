"""Against pyfar: third-octave centres and the grid's own steps."""

from __future__ import annotations

import numpy as np
import pyfar

from speakerdb.acoustics import grid


def test_the_grid_has_exact_base_two_octaves_and_twenty_steps_in_each():
    assert len(grid.FREQUENCY_HZ) == 199
    assert grid.FREQUENCY_HZ[46] == 100.0
    np.testing.assert_allclose(grid.FREQUENCY_HZ[20:] / grid.FREQUENCY_HZ[:-20], 2.0)
    assert (round(grid.FREQUENCY_HZ[0], 1), round(grid.FREQUENCY_HZ[-1], -2)) == (20.3, 19400)


def test_every_preferred_third_octave_centre_lies_within_half_a_grid_step():
    # pyfar.constants.fractional_octave_frequencies_exact: centres of IEC 61260-1
    exact, _, _ = pyfar.constants.fractional_octave_frequencies_exact(3, (25, 16000))
    nearest = grid.FREQUENCY_HZ[np.abs(grid.LOG2_HZ - np.log2(exact)[:, None]).argmin(axis=1)]
    assert np.abs(np.log2(nearest / exact)).max() <= 1 / 40 + 1e-9
    assert len(exact) == 29  # 25 Hz to 16 kHz


def test_a_third_octave_is_seven_grid_points_wide_to_the_nearest_odd_number():
    # 20 points per octave: a third is 6.67 points
    assert 2 * grid.THIRD_OCTAVE_REACH + 1 == 7
