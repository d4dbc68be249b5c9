"""Resonances of known Q through gates of known length."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.formats.raw_folder import Angle
from speakerdb.signals import gating, resonance_fit
from speakerdb.signals.arrival import arrival
from speakerdb.upkeep.timing import resonances_of
from tests.signals import prototypes

RATE = prototypes.RATE_HZ


def gated_level(response, gate_s):
    at, _ = arrival(response, RATE)
    bins = gating.bins(RATE, 2 / gate_s, 20000.0)
    spectrum = gating.spectrum(*gating.gated(response, at, gate_s, RATE), RATE, bins)
    return gating.frequencies_hz(RATE, bins), 20 * np.log10(np.abs(spectrum))


def speaker(f0, q, gain_db):
    return prototypes.impulse(lambda f: prototypes.two_way(f, resonance_hz=f0, q=q, gain_db=gain_db), 1 << 15, 0.01)


@pytest.mark.parametrize(
    ("f0", "q", "gain_db", "gate_s"),
    [(1100, 15, 3, 0.0096), (1100, 40, 3, 0.0096), (700, 8, -2, 0.016), (3300, 25, 2, 0.005), (1700, 5, 1.5, 0.008)],
)
def test_q_and_gain_come_back_through_the_gate(f0, q, gain_db, gate_s):
    f, level = gated_level(speaker(f0, q, gain_db), gate_s)
    found = resonance_fit.found_in(f, level, np.zeros(f.size), gate_s)[0]
    assert found.frequency_hz == pytest.approx(f0, rel=0.01)
    assert found.q == pytest.approx(q, rel=0.15)
    assert found.gain_db == pytest.approx(gain_db, abs=0.4)
    assert not found.q_is_least


def test_a_gate_that_shows_few_cycles_gives_a_bound_only():
    f, level = gated_level(speaker(1100, 8, 3), 0.006)
    assert resonance_fit.found_in(f, level, np.zeros(f.size), 0.006)[0].q_is_least


def test_nothing_is_found_in_a_smooth_response_nor_within_three_sigmas():
    f, level = gated_level(speaker(1100, 15, 0), 0.0096)
    assert resonance_fit.found_in(f, level, np.zeros(f.size), 0.0096) == []
    f, level = gated_level(speaker(1100, 15, 3), 0.0096)
    assert resonance_fit.found_in(f, level, np.full(f.size, 2.0), 0.0096) == []


def test_the_model_without_a_gate_is_the_closed_form():
    f = np.geomspace(500, 2000, 50)
    s = 1j * f / 1000
    exact = (s**2 + 10 ** (3 / 20) * s / 12 + 1) / (s**2 + s / 12 + 1)
    np.testing.assert_allclose(resonance_fit.model(f, 1000, 12, 3, None), exact)
    gated = resonance_fit.model(f, 1000, 12, 3, 0.036)  # nine time constants: as good as none
    np.testing.assert_allclose(np.abs(gated), np.abs(exact), rtol=2e-3)


def test_what_all_directions_show_is_a_resonance_and_what_the_axis_alone_shows_is_none():
    angles = tuple(Angle(f"{a}", True, float(a)) for a in (-170, -90, -20, 0, 20, 90, 170))
    f, ringing = gated_level(speaker(1100, 15, 3), 0.0096)
    _, smooth = gated_level(speaker(1100, 15, 0), 0.0096)
    everywhere = np.array([ringing - abs(a.angle_deg) / 30 for a in angles])
    axis_only = np.array([(ringing if a.on_axis else smooth) - abs(a.angle_deg) / 30 for a in angles])
    sigma = np.zeros(f.size)
    assert [r.kind for r in resonances_of(f, angles, everywhere, sigma, 0.0096)] == ["resonance"]
    (one, *_) = resonances_of(f, angles, axis_only, sigma, 0.0096)
    assert one.kind == "interference"
    assert resonances_of(f, angles[3:4], everywhere[3:4], sigma, 0.0096)[0].kind == "not told"
