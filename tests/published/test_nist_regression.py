"""Against the certified linear regressions of the NIST Statistical Reference Datasets (https://www.itl.nist.gov/div898/strd/).

Longley's data ship with statsmodels; Norris's were typed from the published table. Certified values from memory; that they are right
shows in the agreement to eight digits and more.
"""

import numpy as np
import pytest
from statsmodels.datasets import longley

from speakerdb.statistics.regression import least_squares

# J. W. Longley, Journal of the American Statistical Association 62, 1967, 819-841: employment over deflator, GNP, unemployed,
# armed forces, population, year; coefficients and standard deviations
LONGLEY = {
    "constant": (-3482258.63459582, 890420.383607373), "deflator": (15.0618722713733, 84.9149257747669),
    "gnp": (-0.0358191792925910, 0.0334910077722432), "unemployed": (-2.02022980381683, 0.488399681651699),
    "armed": (-1.03322686717359, 0.214274163161675), "population": (-0.0511041056535807, 0.226073200069370),
    "year": (1829.15146461355, 455.478499142212),
}  # fmt: skip
LONGLEY_R_SQUARED = 0.995479004577296

# J. Norris, NIST: calibration of ozone monitors; y, x
NORRIS = """0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6  557.7 556.0
228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2  998.5 999.0
778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5"""
NORRIS_CERTIFIED = ((-0.262323073774029, 0.232818234301152), (1.00211681802045, 0.000429796848199937))


def test_longley_to_eight_digits():
    data = longley.load()
    design = np.column_stack([np.ones(16), np.asarray(data.exog, float)])
    fit = least_squares(np.asarray(data.endog, float), design)
    value, sd = np.array(list(LONGLEY.values())).T
    assert fit.coefficient == pytest.approx(value, rel=1e-8)
    assert fit.se == pytest.approx(sd, rel=1e-8)
    assert fit.r_squared == pytest.approx(LONGLEY_R_SQUARED, rel=1e-12)


def test_norris_to_eleven_digits():
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    fit = least_squares(y, np.column_stack([np.ones(36), x]))
    value, sd = np.array(NORRIS_CERTIFIED).T
    assert fit.coefficient == pytest.approx(value, rel=1e-11)
    assert fit.se == pytest.approx(sd, rel=1e-11)
