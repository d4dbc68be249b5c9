"""What the amplifier sees, against numeric search and the closed forms of boxes."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import electrical, grid

F = grid.FREQUENCY_HZ


@pytest.mark.parametrize("phase_deg", [0.0, 17.0, -33.0, 45.0, -60.0, 71.0, 90.0])
def test_epdr_is_the_resistor_that_heats_a_class_b_stage_as_much_by_numeric_search(phase_deg):
    """Supply 1 V, |Z| = 1 Ω. The conducting device drops 1 − a·sin t while sin t > 0 and carries a·sin(t − φ) while
    that flows its way."""
    t = np.linspace(0.0, 2.0 * np.pi, 40001)
    a = np.linspace(0.02, 1.0, 50)[:, None]
    lost = (1.0 - a * np.sin(t)) * np.maximum(a * np.sin(t - np.radians(phase_deg)), 0.0)
    resistor = (1.0 - a * np.sin(t)) * np.maximum(a * np.sin(t), 0.0)
    expected = resistor.max() / lost.max()  # heat in a resistor of 1 Ω falls with 1/R
    assert float(electrical.epdr(np.array(1.0), np.array(phase_deg))) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(("phase_deg", "share"), [(0.0, 1.0), (45.0, 0.3536), (60.0, 0.2781), (90.0, 0.1925)])
def test_epdr_of_known_phases(phase_deg, share):
    # 1/(8·sin³(30° + φ/3)): 1/(8·sin³ 45°) = 0.3536, 1/(8·sin³ 50°) = 0.2781, 1/(8·sin³ 60°) = 0.1925
    for sign in (1.0, -1.0):
        found = float(electrical.epdr(np.array(6.0), np.array(sign * phase_deg)))
        assert found == pytest.approx(6.0 * share, abs=5e-4)


def test_the_lowest_value_is_told_with_its_place_and_with_the_edge_it_may_go_on_beyond():
    ohm = np.full(199, 8.0)
    ohm[77] = 3.2
    found = electrical.lowest(np.stack([ohm, 8.0 - 0.01 * np.arange(199), 8.0 + 0.01 * np.arange(199)]))
    assert found.ohm.tolist() == pytest.approx([3.2, 6.02, 8.0])
    assert found.hz.tolist() == pytest.approx([F[77], F[198], F[0]])
    assert found.at_edge.tolist() == [False, True, True]
    for missing in (0, 100, 198):  # all of 20 Hz–20 kHz is needed, the last point of the grid too
        broken = ohm.copy()
        broken[missing] = np.nan
        assert np.isnan(electrical.lowest(broken).ohm)


def vented(fs, fb, alpha, qms, qes, re, ql=7.0):
    """R. H. Small's circuit of a vented box (Journal of the Audio Engineering Society, 1973): electrical impedance."""
    s = 1j * F / fs
    h = fb / fs
    mechanical = s + 1.0 / qms + 1.0 / s
    # the box's air in parallel with the port's mass and the leaks
    load = alpha * s / (s**2 + s * h / ql + h**2)
    return re * (1.0 + (1.0 / qes) / (mechanical + load))


def closed(fc, qmc, qec, re):
    """Of a closed box: re·(1 + (s/qec)/(s² + s/qmc + 1))."""
    s = 1j * F / fc
    return re * (1.0 + (s / qec) / (s**2 + s / qmc + 1.0))


@pytest.mark.parametrize(
    ("fs", "fb", "alpha", "qms", "qes"),
    [(35.0, 38.0, 1.6, 4.0, 0.38), (55.0, 50.0, 3.0, 3.0, 0.5), (28.0, 33.0, 0.9, 6.0, 0.3)],
)
def test_the_tuning_of_a_vented_box_is_the_minimum_between_its_maxima(fs, fb, alpha, qms, qes):
    ohm = np.abs(vented(fs, fb, alpha, qms, qes, 5.6))
    found = electrical.box_tuning(ohm)
    assert not found.closed
    # leakage of a box with Q 7 moves the minimum by less than two hundredths of an octave
    assert float(found.hz) == pytest.approx(fb, rel=0.02)
    many = electrical.box_tuning(ohm * np.array([0.96, 1.0, 1.05])[:, None])
    np.testing.assert_allclose(many.hz, float(found.hz), rtol=1e-4)


@pytest.mark.parametrize(("fc", "qmc", "qec"), [(48.0, 3.5, 0.8), (72.3, 5.0, 0.6), (110.0, 2.5, 1.0)])
def test_a_closed_box_shows_its_resonance(fc, qmc, qec):
    found = electrical.box_tuning(np.abs(closed(fc, qmc, qec, 6.0)))
    assert found.closed
    assert float(found.hz) == pytest.approx(fc, rel=3e-3)


def test_a_box_tuned_so_low_that_its_lower_maximum_lies_beyond_the_grid_is_not_taken_for_a_closed_one():
    ohm = np.abs(vented(26.0, 22.0, 1.0, 4.0, 0.35, 5.6))
    assert ohm[0] > ohm[1]
    found = electrical.box_tuning(ohm)
    assert not found.closed
    assert np.isnan(found.hz)


def test_no_maximum_or_three_tell_no_tuning():
    flat = np.full(199, 6.0)
    assert np.isnan(electrical.box_tuning(flat).hz)
    humps = 6.0 + sum(20.0 * np.exp(-(np.log2(F / f) ** 2) / 0.02) for f in (30.0, 60.0, 120.0))
    assert np.isnan(electrical.box_tuning(humps).hz)


def test_impedance_reaches_the_grid_as_a_complex_value():
    f = np.geomspace(19.0, 20500.0, 700)
    z = 6.0 + 3.0j * np.log2(f / 1000.0)
    ohm, phase = electrical.on_grid(f, np.abs(z), np.degrees(np.angle(z)))
    expected = 6.0 + 3.0j * np.log2(F / 1000.0)
    np.testing.assert_allclose(ohm, np.abs(expected), rtol=1e-3)
    np.testing.assert_allclose(phase, np.degrees(np.angle(expected)), atol=0.02)
    assert electrical.on_grid(f, np.abs(z), None)[1] is None
    # a phase that turns over at ±180° is no jump of the value
    turned = 5.0 * np.exp(1j * np.pi * (1.0 + 0.02 * np.log2(f / 1000.0)))
    wrapped = electrical.on_grid(f, np.abs(turned), np.degrees(np.angle(turned)))[1]
    assert np.abs(wrapped).min() > 155.0


def test_sensitivity_is_the_level_at_2_83_volt_and_for_a_watt_less_of_a_low_impedance():
    assert electrical.sensitivity(np.array(87.0), 2.83) == pytest.approx(87.0)
    assert electrical.sensitivity(np.array(87.0), 1.415) == pytest.approx(87.0 + 20.0 * np.log10(2.0))
    assert electrical.of_one_watt(np.array(87.0), np.array(4.0)) == pytest.approx(87.0 - 3.0103)
