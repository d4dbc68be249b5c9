"""Against the certified linear-regression results of the NIST Statistical Reference Datasets.

Norris: data and certified values typed from the published table (from memory); Longley: data as they ship with
statsmodels, certified values from the published table (from memory).
"""

import numpy as np
import pytest
from statsmodels.datasets import longley

from speakerdb.statistics.regression import least_squares

NORRIS_Y = [
    0.1,
    338.8,
    118.1,
    888.0,
    9.2,
    228.1,
    668.5,
    998.5,
    449.1,
    778.9,
    559.2,
    0.3,
    0.1,
    778.1,
    668.8,
    339.3,
    448.9,
    10.8,
    557.7,
    228.3,
    998.0,
    888.8,
    119.6,
    0.3,
    0.6,
    557.6,
    339.3,
    888.0,
    998.5,
    778.9,
    10.2,
    117.6,
    228.9,
    668.4,
    449.2,
    0.2,
]
NORRIS_X = [
    0.2,
    337.4,
    118.2,
    884.6,
    10.1,
    226.5,
    666.3,
    996.3,
    448.6,
    777.0,
    558.2,
    0.4,
    0.6,
    775.5,
    666.9,
    338.0,
    447.5,
    11.6,
    556.0,
    228.1,
    995.8,
    887.6,
    120.2,
    0.3,
    0.3,
    556.8,
    339.1,
    887.2,
    999.0,
    779.0,
    11.1,
    118.3,
    229.2,
    669.1,
    448.9,
    0.5,
]


def test_norris():
    matrix = np.column_stack([np.ones(36), NORRIS_X])
    fit = least_squares(matrix, np.array(NORRIS_Y), np.arange(36))
    assert fit.coefficient == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    residual = NORRIS_Y - matrix @ fit.coefficient
    assert np.sqrt(residual @ residual / 34) == pytest.approx(0.884796396144373, rel=1e-11)


def test_longley():
    data = longley.load()
    matrix = np.column_stack([np.ones(16), data.exog])
    fit = least_squares(matrix, data.endog.to_numpy(float), np.arange(16))
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.0358191792925910,
        -2.02022980381683,
        -1.03322686717359,
        -0.0511041056535807,
        1829.15146461355,
    ]
    assert fit.coefficient == pytest.approx(certified, rel=1e-8)
