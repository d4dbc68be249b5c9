"""Against the worked example of Y. Benjamini and Y. Hochberg, Journal of the Royal Statistical Society B 57(1), 1995,
section 4: 15 tests of thrombolysis treatments; four are rejected at a false discovery rate of 0.05 (values from
memory)."""

import numpy as np

from speakerdb.statistics.comparison import benjamini_hochberg

P = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0000,
]


def test_four_of_fifteen_are_rejected():
    q = benjamini_hochberg(np.array(P))
    assert (q <= 0.05).tolist() == [True] * 4 + [False] * 11


def test_the_order_of_the_tests_does_not_matter_and_untested_ones_do_not_count():
    order = np.random.default_rng(1).permutation(15)
    q = benjamini_hochberg(np.array([*np.array(P)[order], np.nan, np.nan]))
    assert int((q[:15] <= 0.05).sum()) == 4
    assert np.isnan(q[15:]).all()
