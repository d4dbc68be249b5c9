"""How long one may listen: the occupational limit of NIOSH and the weekly allowance of WHO and ITU-T. dB(A) taken equal
to dB."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]] | float
Array = NDArray[np.float64]

# NIOSH recommended exposure limit (Publication 98-126, 1998, from memory): occupational, not free of risk
NIOSH_LIMIT_DBA, NIOSH_HOURS, NIOSH_EXCHANGE_DB = 85.0, 8.0, 3.0
# WHO/ITU-T H.870 (from memory): 80 dB(A) for 40 h a week, 75 dB(A) for children and sensitive listeners
H870_LIMIT_DBA, H870_SENSITIVE_DBA, H870_HOURS, H870_EXCHANGE_DB = 80.0, 75.0, 40.0, 3.0
DAY_HOURS, WEEK_HOURS = 24.0, 168.0
AVERAGE_BELOW_PEAK_DB = {
    "dynamic": 15.0,
    "dense": 4.0,
}  # peak: highest short-term RMS, 125 ms (common practice, no source)
ADVICE = "Follow local rules and professional advice."


def niosh_hours_per_day(average_dba: Floats) -> Array:
    """8 h at 85 dB(A), halved with every 3 dB; no more than the day has."""
    hours = NIOSH_HOURS * 2.0 ** (-(np.asarray(average_dba, np.float64) - NIOSH_LIMIT_DBA) / NIOSH_EXCHANGE_DB)
    return np.minimum(hours, DAY_HOURS)


def who_hours_per_week(average_dba: Floats, *, sensitive: bool = False) -> Array:
    """40 h a week at 80 dB(A) (75 for children and sensitive listeners), halved with every 3 dB; no more than the week
    has."""
    limit = H870_SENSITIVE_DBA if sensitive else H870_LIMIT_DBA
    hours = H870_HOURS * 2.0 ** (-(np.asarray(average_dba, np.float64) - limit) / H870_EXCHANGE_DB)
    return np.minimum(hours, WEEK_HOURS)
