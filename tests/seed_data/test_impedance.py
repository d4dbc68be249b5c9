"""Impedance of drivers and networks."""

import numpy as np
import pytest

from seed_data.catalogue import catalogue
from seed_data.measure import impedance_of
from seed_data.model import impedance
from seed_data.model.air import FREQUENCY_HZ


def test_second_order_low_pass_into_a_resistor_at_its_corner() -> None:
    # coil 2jR in series with R ∥ −2jR: R·(0.8 + 1.6j)
    branch = impedance.low_pass_branch(np.array([2000.0]), np.full(1, 6.0 + 0j), 6.0, 2000.0)
    assert branch[0] / 6.0 == pytest.approx(0.8 + 1.6j)


def test_high_pass_mirrors_the_low_pass() -> None:
    load = np.full(1, 6.0 + 0j)
    low = impedance.low_pass_branch(np.array([500.0]), load, 6.0, 2000.0)
    high = impedance.high_pass_branch(np.array([8000.0]), load, 6.0, 2000.0)
    assert high[0] == pytest.approx(np.conj(low[0]))


def test_two_equal_branches_halve_the_impedance() -> None:
    load = np.full(3, 8.0 + 2j)
    np.testing.assert_allclose(impedance.parallel(load, load), load / 2.0)


def test_passive_speakers_are_real_loads() -> None:
    for design in catalogue():
        if design.powered:
            continue
        total = impedance_of(design)
        assert np.all(total.real > 0.0), design.model
        lowest = np.abs(total).min()
        assert 0.4 * design.ohm < lowest < 1.05 * design.ohm, (design.model, lowest)


def test_vented_speaker_shows_two_bass_humps_and_its_tuning_between_them() -> None:
    design = next(d for d in catalogue() if d.model == "Sill 5")
    bass = FREQUENCY_HZ < 200
    magnitude = np.abs(impedance_of(design))[bass]
    peaks = np.flatnonzero((magnitude[1:-1] > magnitude[:-2]) & (magnitude[1:-1] > magnitude[2:])) + 1
    assert peaks.size == 2
    saddle = FREQUENCY_HZ[bass][peaks[0] + np.argmin(magnitude[peaks[0] : peaks[1]])]
    assert saddle == pytest.approx(design.bass_hz, rel=0.05)
    closed = np.abs(impedance_of(design, closed=True))[bass]
    assert np.count_nonzero((closed[1:-1] > closed[:-2]) & (closed[1:-1] > closed[2:])) == 1
