"""Bass alignments against their textbook asymptotes and special cases."""

import numpy as np
import pytest

from seed_data.model import box
from seed_data.model.air import SOUND_SPEED_M_S, level_db

LOSSLESS = 1e9


def test_sealed_box_falls_12_db_per_octave() -> None:
    level = level_db(box.sealed_response(np.array([1.0, 2.0]), box.SealedBox(80.0, 0.707)))
    assert level[1] - level[0] == pytest.approx(12.04, abs=0.01)


def test_vented_box_falls_24_db_per_octave() -> None:
    level = level_db(box.vented_response(np.array([0.5, 1.0]), box.vented(50.0, "flat")))
    assert level[1] - level[0] == pytest.approx(24.08, abs=0.05)


@pytest.mark.parametrize("shape", ["flat", "low", "boomy"])
def test_sealed_corner_is_minus_3_db_for_every_q(shape: str) -> None:
    assert level_db(box.sealed_response(np.array([63.0]), box.sealed(63.0, shape)))[0] == pytest.approx(-3.01, abs=0.01)


def test_sealed_box_with_q_0_707_is_the_butterworth_high_pass() -> None:
    frequency = np.geomspace(10.0, 1000.0, 50)
    expected = -10.0 * np.log10(1.0 + (60.0 / frequency) ** 4)
    response = box.sealed_response(frequency, box.SealedBox(60.0, 1.0 / np.sqrt(2.0)))
    np.testing.assert_allclose(level_db(response), expected, atol=1e-9)


def test_lossless_b4_alignment_is_the_fourth_order_butterworth_high_pass() -> None:
    # Thiele 1961 / Small 1973: fb = fs, α = √2, QT = 1/√(4 + 2√2) = 0.3827
    b4 = box.VentedBox(40.0, 1.0 / np.sqrt(4.0 + 2.0 * np.sqrt(2.0)), 40.0, np.sqrt(2.0), LOSSLESS)
    frequency = np.geomspace(10.0, 400.0, 60)
    expected = -10.0 * np.log10(1.0 + (40.0 / frequency) ** 8)
    np.testing.assert_allclose(level_db(box.vented_response(frequency, b4)), expected, atol=1e-6)


def test_flat_alignment_with_losses_stays_near_butterworth() -> None:
    frequency = np.geomspace(30.0, 400.0, 60)
    expected = -10.0 * np.log10(1.0 + (40.0 / frequency) ** 8)
    np.testing.assert_allclose(level_db(box.vented_response(frequency, box.vented(40.0, "flat"))), expected, atol=0.5)


def test_cone_stands_still_at_the_tuning_of_a_lossless_box() -> None:
    design = box.VentedBox(45.0, 0.38, 42.0, 1.4, LOSSLESS)
    cone = box.vented_cone(np.array([42.0, 84.0]), design)
    assert abs(cone[0]) < 1e-6 * abs(cone[1])


def test_displacement_of_the_cone_is_least_near_the_tuning() -> None:
    design = box.vented(45.0, "flat")
    frequency = np.geomspace(25.0, 90.0, 2001)
    displacement = np.abs(box.vented_cone(frequency, design)) / frequency**2
    inside = (frequency > 30) & (frequency < 70)
    least = frequency[inside][np.argmin(displacement[inside])]
    assert least == pytest.approx(45.0, rel=0.1)
    below = displacement[0]
    assert below > 2.0 * displacement[inside].min()  # unloaded below the tuning


def test_port_cancels_the_cone_far_below_the_tuning() -> None:
    design = box.vented(45.0, "flat")
    frequency = np.array([2.0])
    ratio = box.vented_port(frequency, design)[0] / box.vented_cone(frequency, design)[0]
    assert ratio == pytest.approx(-1.0, abs=0.02)


def test_boomy_boxes_have_a_hump_and_low_tuned_ones_an_early_droop() -> None:
    frequency = np.geomspace(30.0, 300.0, 200)
    hump = level_db(box.vented_response(frequency, box.vented(50.0, "boomy"))).max()
    droop = level_db(box.vented_response(np.array([65.0]), box.vented(50.0, "low")))[0]
    assert hump > 1.0
    assert droop < -2.0


def test_helmholtz_port_tunes_its_volume() -> None:
    volume, radius, fb = 0.02, 0.03, 42.0
    length = box.port_length_m(fb, volume, radius) + 1.46 * radius
    area = np.pi * radius**2
    assert SOUND_SPEED_M_S / (2 * np.pi) * np.sqrt(area / (volume * length)) == pytest.approx(fb)


def test_pipe_resonance_is_half_a_wave_long() -> None:
    assert box.pipe_resonance_hz(0.2, 0.0) == pytest.approx(SOUND_SPEED_M_S / 0.4)


def test_bass_costs_efficiency_nine_db_per_octave_at_equal_volume() -> None:
    high = box.sensitivity_half_space_db(box.efficiency(60.0, 0.02, True))
    low = box.sensitivity_half_space_db(box.efficiency(30.0, 0.02, True))
    assert high - low == pytest.approx(9.03, abs=0.01)


def test_one_acoustic_watt_into_half_space_is_112_db_at_1_m() -> None:
    # I = W/(2πr²), p² = I·ρc
    level = 10.0 * np.log10(1.0 / (2.0 * np.pi) * 1.2 * SOUND_SPEED_M_S / (20e-6) ** 2)
    assert box.sensitivity_half_space_db(1.0) == pytest.approx(level, abs=0.1)


def test_vented_impedance_has_two_humps_with_the_saddle_at_the_tuning() -> None:
    frequency = np.geomspace(15.0, 150.0, 4001)
    motional = np.abs(box.vented_motional(frequency, box.VentedBox(45.0, 0.4, 45.0, 1.1), 5.0))
    peaks = np.flatnonzero((motional[1:-1] > motional[:-2]) & (motional[1:-1] > motional[2:])) + 1
    assert peaks.size == 2
    saddle = frequency[peaks[0] : peaks[1]][np.argmin(motional[peaks[0] : peaks[1]])]
    assert saddle == pytest.approx(45.0, rel=0.02)


def test_sealed_impedance_peaks_at_its_resonance() -> None:
    frequency = np.geomspace(20.0, 200.0, 2001)
    motional = np.abs(box.sealed_motional(frequency, box.SealedBox(70.0, 0.7), 4.0))
    assert frequency[np.argmax(motional)] == pytest.approx(70.0, rel=0.002)
    assert motional.max() == pytest.approx(1.0, abs=1e-4)
