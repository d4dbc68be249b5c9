"""The crossover to a subwoofer against filter theory."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from speakerdb.acoustics import crossover, grid

F = grid.FREQUENCY_HZ


@pytest.mark.parametrize("fc", [40.0, 80.0, 160.0])
def test_both_sides_add_to_one_and_are_butterworths_twice(fc):
    low, high = crossover.low_pass(F, fc), crossover.high_pass(F, fc)
    assert np.abs(low + high) == pytest.approx(np.ones(len(F)), abs=1e-12)
    for side, kind in ((low, "lowpass"), (high, "highpass")):
        b, a = signal.butter(2, 1, kind, analog=True)
        assert side == pytest.approx(signal.freqs(b, a, F / fc)[1] ** 2, abs=1e-12)
    at = crossover.low_pass(np.array([fc]), fc)
    assert 20 * np.log10(np.abs(at[0])) == pytest.approx(-6.0206, abs=1e-4)  # half the pressure each (Linkwitz)


@pytest.mark.parametrize(("order", "f0"), [(2, 40.0), (4, 50.0)])
def test_the_phase_that_goes_with_a_magnitude_is_that_of_a_high_pass(order, f0):
    b, a = signal.butter(order, 1, "highpass", analog=True)
    truth = signal.freqs(b, a, F / f0)[1]
    found = crossover.minimum_phase(20 * np.log10(np.abs(truth)))
    near = grid.band(40.0, 500.0)  # an octave about a crossover at 80 Hz, and above
    off = np.degrees(np.angle(found[near] / truth[near]))
    assert np.abs(off).max() < 5.0


def _vented():
    """A 50 Hz vented box: a fourth-order Butterworth high-pass (Thiele 1961, from memory)."""
    b, a = signal.butter(4, 1, "highpass", analog=True)
    return signal.freqs(b, a, F / 50.0)[1]


def test_a_vented_box_leaves_a_hole_that_polarity_and_delay_mend():
    found = crossover.aligned(_vented(), np.ones(len(F), complex), 80.0)
    assert found.plain_db < -4.0
    assert found.lowest_db > -1.0
    # what is found is what it says, by hand
    band = grid.band(40.0, 160.0)
    s = 1j * F[band] / 80.0
    both = (1 + np.sqrt(2) * s + s**2) ** 2
    late = np.exp(-2j * np.pi * F[band] * found.delay_m / 343.0)
    total = (1 + (-1 if found.inverted else 1) * s**4 * _vented()[band] * late) / both
    assert 20 * np.log10(np.abs(total).min()) == pytest.approx(found.lowest_db, abs=1e-9)


def test_alike_and_in_phase_nothing_is_to_be_mended():
    found = crossover.aligned(np.ones(len(F), complex), np.ones(len(F), complex), 80.0)
    assert (found.inverted, found.delay_m) == (False, 0.0)
    assert found.lowest_db == pytest.approx(0.0, abs=1e-12)


def test_whatever_the_phase_is_the_sum_lies_between_the_bounds():
    rng = np.random.default_rng(3)
    main, sub = rng.uniform(-10, 3, (2, 199))
    low, high = crossover.bounds_db(main, sub, 80.0)
    for _ in range(20):
        a, b = (10 ** (x / 20) * np.exp(1j * rng.uniform(0, 2 * np.pi, 199)) for x in (sub, main))
        total = a * crossover.low_pass(F, 80.0) + b * crossover.high_pass(F, 80.0)
        level = 20 * np.log10(np.abs(total))
        assert (level >= low - 1e-9).all()
        assert (level <= high + 1e-9).all()
