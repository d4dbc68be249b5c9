"""Random fields of the fleet: size, correlation, and seeds that come from names alone."""

import numpy as np

from seed_data.model import noise
from seed_data.model.air import FREQUENCY_HZ


def test_field_has_unit_variance_and_gaussian_correlation() -> None:
    fields = noise.field(noise.generator("test"), 0.5, 6000)
    np.testing.assert_allclose(fields.std(axis=0), 1.0, atol=0.06)
    octave = np.log2(FREQUENCY_HZ)
    middle = 120
    correlation = fields[:, middle] @ fields / 6000
    expected = np.exp(-np.pi * ((octave - octave[middle]) / 0.5) ** 2)
    np.testing.assert_allclose(correlation, expected, atol=0.07)


def test_same_names_and_seed_give_the_same_numbers_and_any_other_others() -> None:
    def drawn(*names: object, **seed: str) -> float:
        return float(noise.generator(*names, **seed).standard_normal())

    assert drawn("a", 1) == drawn("a", 1) == drawn("a", 1, seed=noise.SEED)
    assert len({drawn("a", 1), drawn("a", 2), drawn("b", 1), drawn("a", 1, seed="another")}) == 4
