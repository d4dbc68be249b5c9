"""Against filter theory, a sinusoid's closed form, and SciPy's regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from speakerdb.acoustics import grid, response

F = grid.FREQUENCY_HZ


@pytest.mark.parametrize(("drop_db", "ratio"), [(3.0103, 1.0), (6, 0.7610), (10, 0.5774)])
def test_a_butterworth_high_pass_reaches_3_6_and_10_db_where_its_formula_says(drop_db, ratio):
    # |H|² = 1/(1 + (f0/f)^4): f = f0/(10^(d/10) − 1)^(1/4): 1, 0.761, 0.577 (any handbook of filters; SciPy's freqs)
    assert (10 ** (drop_db / 10) - 1) ** -0.25 == pytest.approx(ratio, abs=1e-3)
    b, a = signal.butter(2, 1, "highpass", analog=True)
    for f0 in (40.0, 55.0, 80.0):
        curve = 20 * np.log10(np.abs(signal.freqs(b, a, F / f0)[1]))[None]
        limit = response.bass_limit(curve, np.array([-drop_db]))
        assert not limit.at_most[0]
        assert limit.hz[0] == pytest.approx(ratio * f0, rel=2e-3)


@pytest.mark.parametrize(
    ("order", "to_db", "slope"), [(2, 18.0, 10.96), (4, 18.0, 21.91), (2, 12.0, 10.36), (4, 12.0, 20.72)]
)
def test_butterworth_high_passes_roll_off_as_their_formula_says(order, to_db, slope):
    # f = f0/(10^(d/10) − 1)^(1/2n); (d − 6)/log2 of the ratio of both frequencies; the curve by SciPy's freqs
    b, a = signal.butter(order, 1, "highpass", analog=True)
    for f0 in (70.0, 95.0, 140.0):
        curve = 20 * np.log10(np.abs(signal.freqs(b, a, F / f0)[1]))[None]
        upper, lower = (response.bass_limit(curve, np.array([-d])).hz[0] for d in (6.0, to_db))
        assert float(response.rolloff(upper, lower, to_db - 6.0)) == pytest.approx(
            slope, abs=0.02 if to_db == 18.0 else 0.03
        )


@pytest.mark.parametrize("amplitude", [0.5, 2.0])
def test_narrow_band_deviation_of_a_half_octave_sinusoid_is_its_closed_form(amplitude):
    # Mean of |sin| over 10 points sampled from a zero crossing: (2/10)·Σ sin(kπ/5), k = 1…4, = cot(π/10)/5 = 0.6155
    closed = amplitude / np.tan(np.pi / 10) / 5
    assert closed == pytest.approx(0.6155 * amplitude, abs=1e-4)
    j = np.arange(199) - 46
    curve = amplitude * np.sin(2 * np.pi * j / 10)[None]
    full = curve[..., 46 : 46 + 130]
    padded = np.zeros((1, 199))
    padded[..., 46 : 46 + 130] = full
    # 13 full bands, then a band of nine points that is flat here
    assert response.narrow_band_deviation(padded)[0] == pytest.approx(closed * 13 / 14, rel=1e-12)


def test_smoothness_slope_and_ripple_are_those_of_scipys_regression():
    rng = np.random.default_rng(5)
    curves = -1.2 * np.log2(F / 1000) + rng.normal(0, 1.0, (20, 199))
    band = grid.band(100, 16000)
    found = response.line(curves, band)
    for i, curve in enumerate(curves):
        theirs = stats.linregress(np.log2(F[band]), curve[band])
        assert found.r_squared[i] == pytest.approx(theirs.rvalue**2, rel=1e-10)
        assert found.slope_per_octave[i] == pytest.approx(theirs.slope, rel=1e-10)
        rest = curve[band] - theirs.intercept - theirs.slope * np.log2(F[band])
        assert found.ripple[i] == pytest.approx(np.std(rest), rel=1e-10)


def test_smoothness_of_a_constant_curve_is_zero():
    assert response.line(np.full((1, 199), 85.0), grid.band(100, 16000)).r_squared[0] == 0.0


def test_preference_is_the_published_formula():
    # S. E. Olive, AES Convention Paper 6190 (2004), coefficients from memory: 12.69 − 2.49 − 2.99 − 4.31·log10 40 +
    # 2.32
    assert response.preference(np.array(1.0), np.array(1.0), 40.0, np.array(1.0)) == pytest.approx(
        12.69 - 2.49 - 2.99 - 4.31 * 1.60206 + 2.32, abs=1e-4
    )
