"""Deconvolution against the closed form of what was played through."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from speakerdb.signals import deconvolution, gating
from speakerdb.signals.arrival import arrival, sound_speed_m_s
from tests.signals import prototypes

RATE = prototypes.RATE_HZ


def heard(rate_hz=RATE, delay_s=0.01, **how):
    played = prototypes.sweep(rate_hz)
    return played, prototypes.record(prototypes.two_way, [(delay_s, 1.0)], played, rate_hz=rate_hz, **how)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_speaker_comes_back_within_a_hundredth_of_a_decibel(rate_hz):
    played, recording = heard(rate_hz)
    excitation = deconvolution.fitted(played, rate_hz)
    length = deconvolution.padded_length(excitation, len(recording))
    response = deconvolution.deconvolve(recording, deconvolution.inverse(excitation, length), length)
    at, clear_db = arrival(response, rate_hz)
    assert clear_db > 60
    assert at / rate_hz == pytest.approx(0.01, abs=0.0003)  # the crossover's all-pass delays some
    part, lead = gating.gated(response, at, gating.LONGEST_S, rate_hz, 0.05)
    bins = gating.bins(rate_hz, 20.0, 20000.0)
    f = gating.frequencies_hz(rate_hz, bins)
    error = 20 * np.log10(np.abs(gating.spectrum(part, lead, rate_hz, bins)) / np.abs(prototypes.two_way(f)))
    assert np.abs(error[f >= 100]).max() < 0.01
    assert np.abs(error).max() < 0.1


def test_the_fit_finds_the_sweep_that_was_made():
    made = deconvolution.exponential_sweep(10.0, 22000.0, 4.0, RATE)
    quiet = np.concatenate([np.zeros(5000), 0.3 * made.samples, np.zeros(9000)])
    found = deconvolution.fitted(quiet, RATE)
    assert found.growth_s == pytest.approx(4.0 / np.log(2200.0), rel=1e-3)
    assert found.f_low_hz == pytest.approx(10.0, rel=0.02)
    assert found.f_high_hz == pytest.approx(22000.0, rel=0.01)
    assert found.amplitude == pytest.approx(0.3, rel=1e-3)
    assert found.end == pytest.approx(5000 + len(made.samples), abs=5)
    np.testing.assert_allclose(made.samples, prototypes.sweep(RATE, 10.0, 22000.0, 4.0), atol=1e-9)


@pytest.mark.parametrize(
    "samples", [np.zeros(48000), np.sin(np.arange(48000) * 0.1), np.random.default_rng(1).normal(size=48000)]
)
def test_what_is_no_sweep_is_not_taken_for_one(samples):
    assert deconvolution.fitted(samples, RATE) is None


def test_a_clock_that_runs_50_ppm_fast_costs_little():
    """The recording's clock against the player's, as two devices have it: resampled by that much."""
    played, recording = heard()
    n = np.arange(len(recording))
    skewed = CubicSpline(n, recording)(np.minimum(n * (1 + 50e-6), n[-1]))
    excitation = deconvolution.fitted(played, RATE)
    length = deconvolution.padded_length(excitation, len(recording))
    inverse = deconvolution.inverse(excitation, length)
    bins = gating.bins(RATE, 300.0, 5000.0)
    levels = []
    for one in (recording, skewed):
        response = deconvolution.deconvolve(one, inverse, length)
        part, lead = gating.gated(response, arrival(response, RATE)[0], 0.02, RATE)
        levels.append(20 * np.log10(np.abs(gating.spectrum(part, lead, RATE, bins))))
    assert np.abs(levels[1] - levels[0]).max() < 0.05


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::UserWarning")
def test_pyfar_gives_the_same_response():
    """pyfar's regularised inversion of the same sweep."""
    pyfar = pytest.importorskip("pyfar")
    played, recording = heard()
    count = len(recording)
    theirs = pyfar.dsp.deconvolve(
        pyfar.Signal(recording, RATE), pyfar.Signal(played, RATE), fft_length=count, frequency_range=[20, 20000]
    )
    excitation = deconvolution.fitted(played, RATE)
    ours = deconvolution.deconvolve(recording, deconvolution.inverse(excitation, count), count)
    bins = np.arange(count // 2 + 1)
    f = bins * RATE / count
    inside = (f > 100) & (f < 15000)
    difference = 20 * np.log10(np.abs(np.fft.rfft(ours)[inside]) / np.abs(theirs.freq[0][inside]))
    assert np.abs(difference).max() < 1e-3


def test_sound_is_as_fast_as_tables_say():
    """343.2 m/s at 20 °C, 331.3 at 0 °C (common tables of dry air, from memory)."""
    assert sound_speed_m_s(20.0) == pytest.approx(343.2, abs=0.1)
    assert sound_speed_m_s(0.0) == pytest.approx(331.3)
