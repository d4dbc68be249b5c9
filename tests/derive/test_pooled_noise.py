import numpy as np
import pytest

from speakerdb.derive.pooling import pool_noise


def test_a_session_without_the_curve_takes_no_part_in_its_noise():
    sd = np.array([[0.3, 0.3], [np.nan, 0.4], [0.2, np.nan], [np.nan, np.nan]])
    found = pool_noise(sd, np.array([0, 0, 1, 2]), np.array([0.5, 0.5, 1.0, 1.0]), 3)
    assert found[0] == pytest.approx([0.3, 0.25])  # alone; two halves: √(0.15² + 0.2²)
    assert found[1] == pytest.approx([0.2, np.nan], nan_ok=True)
    assert np.isnan(found[2]).all()
