"""Against the remission times of leukaemia patients, 6-mercaptopurine against placebo (E. J. Freireich and others,
Blood 21, 1963; E. A. Gehan, Biometrika 52, 1965), the standard example of censored data in textbooks. Data and results
from memory."""

import numpy as np
import pytest

from speakerdb.statistics.groups import kaplan_meier, prentice_scores

PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
TREATED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
TREATED_AT_LEAST = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
WEEKS = np.array(PLACEBO + TREATED + TREATED_AT_LEAST, float)
AT_LEAST = np.arange(42) >= 30
SECOND = np.arange(42) >= 21


def test_medians_are_8_and_23_weeks_with_textbook_intervals():
    placebo, treated = (kaplan_meier(WEEKS[rows], AT_LEAST[rows]) for rows in (~SECOND, SECOND))
    assert (placebo.median, *placebo.median_interval(1.96)) == (8.0, 4.0, 11.0)
    assert (treated.median, *treated.median_interval(1.96)) == (23.0, 13.0, np.inf)


def test_share_still_in_remission():
    # Kaplan and Meier's estimate for the treated group at 6, 7, 10, 13, 16, 22 and 23 weeks
    found = kaplan_meier(WEEKS[SECOND], AT_LEAST[SECOND])
    assert found.above == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_peto_prentice_chi_square():
    # the scores' sum over a group, squared, over its variance, from how many are at risk and how many are equal to each
    # exact value
    steps = np.unique(WEEKS[~AT_LEAST])
    at_risk, treated = ((WEEKS[rows] >= steps[:, None]).sum(axis=1) for rows in (SECOND | ~SECOND, SECOND))
    equal = ((steps[:, None] == WEEKS) & ~AT_LEAST).sum(axis=1)
    weight = np.cumprod(1 - equal / (at_risk + 1))
    variance = weight**2 * equal * (at_risk - equal) / (at_risk - 1) * treated / at_risk * (1 - treated / at_risk)
    score = prentice_scores(WEEKS, AT_LEAST)
    assert score[SECOND].sum() ** 2 / variance.sum() == pytest.approx(14.08, abs=0.005)
