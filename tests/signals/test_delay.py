"""Group delay and minimum phase against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics.grid import FREQUENCY_HZ as GRID
from speakerdb.signals import deconvolution, delay, gating
from speakerdb.signals.arrival import arrival
from tests.signals import prototypes

RATE = prototypes.RATE_HZ


def all_pass(f, crossover_hz=2500.0):
    """The sum of an LR4 crossover."""
    s = 1j * f / crossover_hz
    return (1 + s**4) / (s**2 + np.sqrt(2) * s + 1) ** 2


def cells_s(response):
    """(199,) exact group delay of a closed form, averaged over the cells of the grid by its power."""
    f = GRID[:, None] * 2.0 ** np.linspace(-1 / 40, 1 / 40, 201)
    step = 1e-4
    exact = -np.angle(response(f * (1 + step)) * np.conj(response(f * (1 - step)))) / (4 * np.pi * f * step)
    power = np.abs(response(f)) ** 2
    return np.trapezoid(exact * power, f, axis=1) / np.trapezoid(power, f, axis=1)


@pytest.fixture(scope="module")
def measured():
    played = prototypes.sweep(seconds=5.0)
    recording = prototypes.record(prototypes.two_way, [(0.01, 1.0)], played)
    excitation = deconvolution.fitted(played, RATE)
    length = deconvolution.padded_length(excitation, len(recording))
    response = deconvolution.deconvolve(recording, deconvolution.inverse(excitation, length), length)
    at, _ = arrival(response, RATE)
    bins = gating.bins(RATE, 15.0, 22000.0)
    spectrum = gating.spectrum(*gating.gated(response, at, gating.LONGEST_S, RATE, 0.05), RATE, bins)
    return gating.frequencies_hz(RATE, bins), spectrum, 0.01 - at / RATE


@pytest.mark.parametrize(
    ("low", "high", "within_ms"),
    [(20, 30, 1.4), (30, 60, 0.2), (60, 200, 0.045), (200, 2000, 0.01), (2000, 19000, 0.0006)],
)
def test_group_delay_is_that_of_the_closed_form(measured, low, high, within_ms):
    f, spectrum, late = measured
    error = delay.group_delay_s(f, spectrum) - cells_s(prototypes.two_way) - late
    inside = (low <= GRID) & (high >= GRID)
    assert np.abs(error[inside]).max() * 1000 < within_ms


@pytest.mark.parametrize(("low", "high", "within_ms"), [(100, 500, 0.047), (500, 5000, 0.002)])
def test_the_delay_beyond_minimum_phase_is_that_of_the_crossovers_all_pass(measured, low, high, within_ms):
    f, spectrum, _ = measured
    found = delay.excess_delay_s(f, 20 * np.log10(np.abs(spectrum)), np.angle(spectrum))
    exact = cells_s(all_pass)
    treble = (delay.TREBLE_HZ[0] <= GRID) & (delay.TREBLE_HZ[1] >= GRID)
    error = found - (exact - exact[treble].mean())
    inside = (low <= GRID) & (high >= GRID)
    assert np.abs(error[inside]).max() * 1000 < within_ms


def test_a_minimum_phase_system_has_its_own_phase():
    """A Butterworth high-pass with a resonance; pyfar's minimum phase of the same agrees with both within 0.5°."""
    f = np.geomspace(20, 20000, 2000)

    def system(x):
        return prototypes.two_way(x) / all_pass(x)

    found = delay.minimum_phase_rad(f, 20 * np.log10(np.abs(system(f))))
    apart = np.degrees(np.angle(np.exp(1j * (found - np.angle(system(f))))))
    assert np.abs(apart[f > 200]).max() < 0.7
    pyfar = pytest.importorskip("pyfar")
    length = 1 << 17
    even = np.fft.rfftfreq(length, 1 / RATE)
    even[0] = even[1] / 2
    theirs = pyfar.dsp.minimum_phase(pyfar.Signal(np.abs(system(even)), RATE, length, "freq"), n_fft=2 * length)
    ours = delay.minimum_phase_rad(f, 20 * np.log10(np.abs(system(f))))
    compared = np.interp(f, theirs.frequencies, np.unwrap(np.angle(theirs.freq[0])))
    inside = (f > 200) & (f < 10000)
    apart = np.angle(np.exp(1j * (ours - compared)))[inside]
    assert np.degrees(np.abs(apart)).max() < 1.0


def test_a_driver_that_lies_further_back_is_told_in_seconds():
    """An excess delay that steps by 0.3 ms at the crossover."""
    excess = np.where(GRID < 2000, 0.0003, 0.0)
    assert delay.alignment_s(excess, 2000.0) == pytest.approx(0.0003)
    assert delay.alignment_s(excess, 1.0) is None


def test_what_is_audible_is_only_known_between_500_hz_and_8_khz():
    at = delay.audible_from_s(np.array([300.0, 500.0, 1000.0, 2000.0, 8000.0, 12000.0]))
    np.testing.assert_allclose(at, [np.nan, 0.0032, 0.002, 0.001, 0.002, np.nan])


def test_a_minimum_phase_needs_the_whole_band():
    f = np.geomspace(20, 20000, 900)
    assert delay.covers(f, np.zeros(900))
    assert not delay.covers(f, np.where(f < 100, np.nan, 0.0))
