"""The noise of the benches: sizes, correlation, and what is shared by whom."""

import numpy as np

from seed_data.model import noise
from seed_data.model.air import FREQUENCY_HZ


def test_field_has_unit_variance_and_gaussian_correlation() -> None:
    fields = noise.field(noise.generator("test"), FREQUENCY_HZ, 0.5, 6000)
    np.testing.assert_allclose(fields.std(axis=0), 1.0, atol=0.06)
    octave = np.log2(FREQUENCY_HZ)
    middle = 120
    correlation = fields[:, middle] @ fields / 6000
    expected = np.exp(-np.pi * ((octave - octave[middle]) / 0.5) ** 2)
    np.testing.assert_allclose(correlation, expected, atol=0.07)


def test_calibration_is_the_labs_own_and_does_not_change() -> None:
    shed = noise.calibration_db(FREQUENCY_HZ, "shed", "near-field-scan", "2025")
    np.testing.assert_array_equal(shed, noise.calibration_db(FREQUENCY_HZ, "shed", "near-field-scan", "2025"))
    attic = noise.calibration_db(FREQUENCY_HZ, "attic", "anechoic", "2025")
    assert 0.2 < np.std(shed - attic) < 2.0


def test_calibration_is_less_sure_at_the_ends() -> None:
    sd = noise.calibration_sd_db(np.array([25.0, 1000.0, 15000.0]))
    np.testing.assert_allclose(sd, [1.5, 0.5, 1.0])


def test_two_specimens_differ_more_behind_than_in_front() -> None:
    cosine = np.array([1.0, -1.0])
    differences = np.stack(
        [
            noise.sample_db(FREQUENCY_HZ, "x", str(n), cosine) - noise.sample_db(FREQUENCY_HZ, "x", str(n + 1), cosine)
            for n in range(0, 60, 2)
        ]
    )
    front, back = differences.std(axis=(0, 2))
    assert back > 1.2 * front
