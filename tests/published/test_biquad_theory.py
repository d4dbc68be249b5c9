"""Equaliser filters against scipy.signal and against what their formulae promise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from speakerdb.acoustics import biquads

FS = 48000.0
AT = np.geomspace(20.0, 20000.0, 300)


def response(kind, f, g, q, at):
    return biquads.response_db([kind], *(np.array([x]) for x in (f, g, q)), at, FS)[0]


KINDS = ("peaking", "low_shelf", "high_shelf")


@pytest.mark.parametrize("kind", KINDS)
def test_the_level_is_that_of_scipys_response_of_the_same_coefficients(kind):
    rng = np.random.default_rng(1)
    for _ in range(20):
        f, g, q = 2 ** rng.uniform(5, 13.9), rng.uniform(-12, 12), 2 ** rng.uniform(-1.3, 3.3)
        b, a = biquads.coefficients(kind, f, g, q, FS)
        _, theirs = signal.freqz(b, a, AT, fs=FS)
        assert response(kind, f, g, q, AT) == pytest.approx(20 * np.log10(np.abs(theirs)), abs=1e-6)
        assert a[0] == 1.0
        assert np.abs(np.roots(a)).max() < 1.0  # stable


def _analogue(kind, f, g, q):
    """The prototypes of the same cookbook (from memory): a peak (s² + s·A/Q + 1)/(s² + s/(A·Q) + 1), a low shelf
    A·(s² + s·√A/Q + A)/(A·s² + s·√A/Q + 1), a high shelf with s and 1/s exchanged."""
    a = 10 ** (g / 40)
    root = np.sqrt(a) / q
    low = [a, a * root, a * a], [a, root, 1]
    return {
        "peaking": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": low,
        "high_shelf": (low[0][::-1], low[1][::-1]),
    }[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_the_bilinear_transform_of_its_analogue_prototype(kind):
    for f, g, q in ((40.0, 6.0, 0.7), (900.0, -9.0, 3.0), (12000.0, 3.0, 0.6)):
        n, d = _analogue(kind, f, g, q)
        warped = np.tan(np.pi * AT / FS) / np.tan(np.pi * f / FS)  # of the bilinear transform, in any textbook
        _, theirs = signal.freqs(n, d, warped)
        found = response(kind, f, g, q, AT)
        assert found == pytest.approx(20 * np.log10(np.abs(theirs)), abs=1e-6)


def test_a_peak_has_its_gain_at_its_frequency_and_half_of_it_where_its_q_says():
    # f2/f1 of the half-gain points of a narrow peak: 1/Q = 2·sinh(ln(2)/2·BW) (the cookbook's own definition)
    f, g, q = 500.0, 8.0, 2.0
    octaves = 2 / np.log(2) * np.arcsinh(1 / (2 * q))
    ends = f * 2 ** (np.array([-octaves / 2, 0.0, octaves / 2]))
    assert response("peaking", f, g, q, ends) == pytest.approx([g / 2, g, g / 2], abs=0.02)


@pytest.mark.parametrize(("kind", "far"), [("low_shelf", 1e-3), ("high_shelf", 23999.99)])
def test_a_shelf_has_its_gain_at_its_end_half_of_it_at_its_corner_and_none_beyond(kind, far):
    other = 23999.99 if kind == "low_shelf" else 1e-3
    found = response(kind, 1000.0, -7.0, 0.7, np.array([far, 1000.0, other]))
    assert found == pytest.approx([-7.0, -3.5, 0.0], abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_a_cut_undoes_a_boost(kind):
    both = [response(kind, 3000.0, g, 0.8, AT) for g in (5.0, -5.0)]
    assert both[0] + both[1] == pytest.approx(np.zeros(len(AT)), abs=1e-6)
