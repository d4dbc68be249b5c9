"""Distortion of a memoryless cubic, whose harmonics are known in closed form, through a known speaker."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.signals import deconvolution, gating, harmonics, multitone
from speakerdb.signals.arrival import arrival
from tests.signals import prototypes

RATE = prototypes.RATE_HZ
A2, A3 = 0.01, 0.02  # of x + A2·x² + A3·x³


def speaker(f):
    """Without its resonance, which no short gate shows whole."""
    return prototypes.two_way(f, gain_db=0.0)


def driven(played, ways=((0.01, 1.0),), noise=0.0, seed=0):
    """x + a2·x² + a3·x³, then the speaker's response: harmonic n of f passes at n·f."""
    return prototypes.record(speaker, list(ways), played + A2 * played**2 + A3 * played**3, noise=noise, seed=seed)


def expected_db(f, order):
    """sin² = (1 − cos 2)/2, sin³ = (3 sin 1 − sin 3)/4; the speaker weighs n·f against f."""
    share = {2: A2 / 2, 3: A3 / 4}[order] / (1 + 3 * A3 / 4)
    return 20 * np.log10(share * np.abs(speaker(order * f) / speaker(f)))


def found_db(recording, played, gate_s, order, low_hz, high_hz):
    excitation = deconvolution.fitted(played, RATE)
    length = deconvolution.padded_length(excitation, len(recording))
    response = deconvolution.deconvolve(recording, deconvolution.inverse(excitation, length), length)
    at, _ = arrival(response, RATE)
    bins = gating.bins(RATE, low_hz, high_hz)
    part, lead = gating.gated(response, at, gate_s, RATE, harmonics.LEAD_S)
    fundamental = np.abs(gating.spectrum(part, lead, RATE, bins)) ** 2
    made = np.abs(harmonics.harmonic(response, at, excitation.growth_s, gate_s, RATE, bins, order)) ** 2
    tail = response[at + RATE // 2 : at + RATE + RATE // 4]
    noise = harmonics.noise_power(tail, gate_s, excitation.growth_s, RATE, bins, order)
    f = gating.frequencies_hz(RATE, bins)
    return f, harmonics.level_db(made, noise, fundamental, f)


@pytest.mark.parametrize("order", [2, 3])
def test_in_a_free_field_harmonics_are_those_of_the_cubic(order):
    played = prototypes.sweep()
    f, level = found_db(driven(played), played, 0.2, order, 60.0, 6000.0)
    error = np.abs(level - expected_db(f, order))
    assert np.median(error) < 0.05
    assert error.max() < 1.2


def test_in_a_room_a_gate_keeps_the_combs_out():
    played = prototypes.sweep()
    ways = [(0.01, 1.0), (0.016, 0.5), (0.019, -0.4)]
    f, level = found_db(driven(played, ways), played, 0.005, 2, 1000.0, 6000.0)
    error = np.abs(level - expected_db(f, 2))
    f, ungated = found_db(driven(played, ways), played, 0.2, 2, 1000.0, 6000.0)
    assert np.median(error) < 0.2
    assert error.max() < 0.8
    assert np.median(np.abs(ungated - expected_db(f, 2))) > 1.0


def test_a_second_harmonic_ten_decibels_over_the_noise_is_right_and_one_below_it_is_not_told():
    played = prototypes.sweep()
    f, level = found_db(driven(played, noise=3e-4, seed=4), played, 0.05, 2, 100.0, 4000.0)
    error = np.abs(level - expected_db(f, 2))
    assert np.isfinite(level).mean() > 0.9
    assert np.nanmedian(error) < 0.5
    _, drowned = found_db(driven(played, noise=0.3, seed=5), played, 0.05, 2, 100.0, 4000.0)
    assert np.isnan(drowned).mean() > 0.8


def tones(count=30, low=40.0, high=9000.0, period_s=1.0):
    """Tones on odd multiples of 1/period about evenly spaced in log f, of random phase."""
    f = np.unique(np.round(np.geomspace(low, high, count) * period_s) // 2 * 2 + 1) / period_s
    return f, 2 * np.pi * np.random.default_rng(2).random(f.size)


def multitone_signal(f, phase, periods, clock=1.0):
    t = np.arange(round((periods + 3) * RATE)) / RATE / clock
    x = np.sin(2 * np.pi * f[:, None] * t + phase[:, None]).sum(axis=0) / np.sqrt(f.size)
    return x + A2 * x**2 + A3 * x**3


@pytest.mark.parametrize(("clock", "noise"), [(1.0, 0.0), (1 + 50e-6, 0.0), (1 + 50e-6, 3e-3)])
def test_between_the_tones_stands_what_the_cubic_adds(clock, noise):
    f, phase = tones()
    period = multitone.period_of(f)
    assert period == pytest.approx(1.0)
    clean = multitone.distortion(multitone_signal(f, phase, 6), RATE, f, period)
    exact = np.abs(np.fft.rfft(multitone_signal(f, phase, 1)[:RATE])) ** 2  # one period, no noise: closed form
    at = np.round(f).astype(int)
    between = np.delete(np.arange(exact.size), [0, *at])
    for centre, level in zip(clean.frequency_hz[::8], clean.level_db[::8], strict=True):
        low, high = centre * 2 ** (-1 / 3), centre * 2 ** (1 / 3)
        inside = between[(between >= low) & (between < high)]
        played = exact[at[(at >= low) & (at < high)]].sum()
        assert level == pytest.approx(10 * np.log10(exact[inside].sum() / played), abs=0.05)
    heard = multitone_signal(f, phase, 16, clock)
    heard = np.concatenate([np.zeros(3000), heard, np.zeros(5000)])
    heard += noise * np.random.default_rng(3).standard_normal(heard.size)
    found = multitone.distortion(heard, RATE, f, period)
    assert found.periods >= 16
    assert found.clock_ppm == pytest.approx((clock - 1) * 1e6, abs=0.3)
    assert np.abs(found.level_db - clean.level_db).max() < 0.2


def test_too_few_periods_are_refused_and_odd_tones_have_a_long_period():
    f, phase = tones()
    assert multitone.distortion(multitone_signal(f, phase, 1), RATE, f, 1.0) is None
    assert multitone.period_of([100.0, 150.0]) == pytest.approx(0.02)
    assert multitone.period_of([100.5, 151.0]) == pytest.approx(2.0)
