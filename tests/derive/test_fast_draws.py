"""Standard errors of a session worked out by the short ways, held against draws of all curves and sweeps at every grid
point (full_draws).

Both draw 400 times, each with errors of its own, so that a session's ratio of two standard errors is known to 5 %, the
median of n sessions to 1.25 · 5 %/√n; the noise's first helping to 0.07 standard errors, likewise.
"""

from __future__ import annotations

import numpy as np
import pytest

from seed_data.generate import FLEET
from speakerdb import derive, formats
from speakerdb.derive.uncertainty import scaled
from speakerdb.metrics import METRICS
from speakerdb.statistics.error_model import DEFAULT
from speakerdb.statistics.intervals import WORST, layer_of
from tests.derive import full_draws

IDS = tuple(METRICS)
ROWS = tuple(METRICS.values())
EVERY_EIGHTH = 8
LIKE = 0.03  # what the short ways may add to or take from a standard error
# Its level may lie anywhere between two drives, by rule; which of four angles comes first has no standard error to
# speak of.
LISTENING = {f"best_listening_angle_{name}" for name in ("deg", "gain_db", "treble_db")}
OTHERWISE = {"max_level_db", *LISTENING}


def first_sessions(step):
    """One session of every `step`th speaker, on the grid; one with sweeps where there is one."""
    found = {}
    for folder in formats.find_sessions(FLEET):
        slug, swept = folder.name.split("_")[0], any(folder.glob("compression.*"))
        if slug not in found or (swept and not any(found[slug].glob("compression.*"))):
            found[slug] = folder
    return [
        derive.to_grid(formats.read_session(folder, root=FLEET, sheet=None)) for folder in list(found.values())[::step]
    ]


def compared(grid):
    """(M,) log2 of the ratio of standard errors, and difference of first helpings in standard errors; NaN where either
    is unknown."""
    table = derive.derive([grid]).values
    value = np.where(table.censored[0] == 0, table.value[0], np.nan)
    fast = derive.session_uncertainty(grid, grid.info.slug, IDS, value, DEFAULT).columns
    drawn = full_draws.own(grid, f"{grid.info.slug} in full")
    none = np.full(full_draws.DRAWS, np.nan)
    rows = np.array([scaled(m, drawn.get(m.id, none)) for m in ROWS])
    full = layer_of(ROWS, np.array([scaled(m, v) for m, v in zip(ROWS, value, strict=True)]), rows)
    se = np.where((fast["se"] > 0) & (full.se > 0) & np.isnan(fast["other_value"]), full.se, np.nan)
    return np.log2(fast["se"] / se), (fast["bias"] - full.bias) / se


def check(step):
    ratio, helping = (np.array(x) for x in zip(*[compared(g) for g in first_sessions(step)], strict=True))
    judged = 0
    for j, (metric, row) in enumerate(METRICS.items()):
        known = ~np.isnan(ratio[:, j])
        if metric in OTHERWISE or known.sum() < len(ratio) // 2:
            continue
        chance = 3.0 * 1.25 / np.sqrt(known.sum())
        # of the worst of many points the better side is set to reach as far as the worse one, which few draws tell
        often = WORST if row.worst else 1.0
        each = np.exp2(ratio[known, j])
        assert abs(np.median(each) - 1.0) < often * (LIKE + 0.05 * chance), metric
        assert np.abs(each - 1.0).max() < often * 0.3, metric  # five to six standard errors
        assert abs(np.median(helping[known, j])) < LIKE + often * 0.07 * chance, metric
        judged += 1
    return judged


def test_standard_errors_of_an_eighth_of_the_speakers_are_those_of_full_draws():
    assert check(EVERY_EIGHTH) > 40


@pytest.mark.slow
def test_standard_errors_of_all_speakers_are_those_of_full_draws():
    assert check(1) > 40
