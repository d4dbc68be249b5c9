"""Noise: what is foretold against what repeats show."""

from __future__ import annotations

import numpy as np

from speakerdb.acoustics.grid import FREQUENCY_HZ, to_grid
from speakerdb.signals import background, deconvolution, gating
from speakerdb.signals.arrival import arrival
from tests.signals import prototypes

RATE = prototypes.RATE_HZ
GATE_S = 0.006


def test_eight_repeats_scatter_as_foretold():
    played = prototypes.sweep()
    excitation = deconvolution.fitted(played, RATE)
    length = deconvolution.padded_length(excitation, len(played) + round(1.5 * RATE))
    inverse, bins = deconvolution.inverse(excitation, length), gating.bins(RATE, 300.0, 20000.0)
    f = gating.frequencies_hz(RATE, bins)
    levels, foretold, silent = [], [], []
    for seed in range(8):
        recording = prototypes.record(prototypes.two_way, [(0.01, 1.0)], played, noise=0.03, seed=seed)
        response = deconvolution.deconvolve(recording, inverse, length)
        at, _ = arrival(response, RATE)
        power = np.abs(gating.spectrum(*gating.gated(response, at, GATE_S, RATE), RATE, bins)) ** 2
        levels.append(10 * np.log10(power))
        noise = background.of_tail(response, at + RATE // 2, at + RATE, GATE_S, RATE, bins)
        foretold.append(background.scatter_db(background.snr_db(power, noise, f), f, GATE_S))
        silence = 0.03 * np.random.default_rng(100 + seed).standard_normal(RATE)
        at_bins = np.round(bins * length / gating.transform_length(RATE)).astype(int)
        quiet = background.of_silence(silence, np.abs(inverse[at_bins]) ** 2, GATE_S, RATE, bins)
        silent.append(10 * np.log10(background.smoothed(quiet, f) / background.smoothed(noise, f)))
    seen = to_grid(f, np.array(levels)).std(axis=0, ddof=1)
    band = (FREQUENCY_HZ > 400) & (FREQUENCY_HZ < 18000)
    ratio = np.interp(FREQUENCY_HZ, f, np.mean(foretold, axis=0))[band] / seen[band]
    octaves = np.array_split(ratio, 5)
    assert all(0.6 < np.median(one) < 1.7 for one in octaves)
    same = np.mean(silent, axis=0)  # a recording of silence tells the same as the late tail
    assert abs(same.mean()) < 0.3
    assert np.abs(same).max() < 2.0
