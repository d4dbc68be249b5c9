"""Against the remission times of leukaemia patients, 6-mercaptopurine against placebo (E. J. Freireich and others, Blood 21, 1963;
E. A. Gehan, Biometrika 52, 1965), the standard example of censored data in textbooks. Data and results from memory."""

import numpy as np
import pytest
from statsmodels.duration.survfunc import survdiff

from speakerdb.statistics.censored import _tables, kaplan_meier, median, peto_prentice, weighted_log_rank

PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
TREATED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
TREATED_AT_LEAST = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
TIME = np.array(PLACEBO + TREATED + TREATED_AT_LEAST, float)
EVENT = np.arange(42) < 30
UPPER = np.where(EVENT, TIME, np.inf)
SECOND = np.arange(42) >= 21


def test_medians_are_8_and_23_weeks():
    assert median(TIME[~SECOND], UPPER[~SECOND]).value == 8.0
    assert median(TIME[SECOND], UPPER[SECOND]).value == 23.0


def test_share_still_in_remission():
    # Kaplan and Meier's estimate for the treated group at 6, 7, 10 … weeks
    _, share, _ = kaplan_meier(TIME[SECOND], EVENT[SECOND])
    assert share == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_log_rank_and_peto_prentice_chi_square():
    _, at_risk, died, of_second, died_second = _tables(TIME, EVENT, SECOND)
    assert weighted_log_rank(at_risk, died, of_second, died_second, np.ones(len(died)))[0] ** 2 == pytest.approx(16.79, abs=0.005)  # fmt: skip
    assert weighted_log_rank(at_risk, died, of_second, died_second, at_risk)[0] ** 2 == pytest.approx(13.46, abs=0.005)
    assert peto_prentice(TIME, UPPER, SECOND)[0] ** 2 == pytest.approx(14.08, abs=0.005)


@pytest.mark.parametrize("seed", range(3))
def test_weighted_log_rank_equals_statsmodels(seed):
    random = np.random.default_rng(seed)
    time, event, second = random.integers(1, 20, 80).astype(float), random.random(80) < 0.6, random.random(80) < 0.4
    _, at_risk, died, of_second, died_second = _tables(time, event, second)
    z, p = weighted_log_rank(at_risk, died, of_second, died_second, at_risk)
    assert (z**2, p) == pytest.approx(survdiff(time, event, second, weight_type="gb"))
