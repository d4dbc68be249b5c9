"""Errors of averaged curves drawn directly, held against draws of all 72 curves (statistics.md §1)."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from speakerdb import derive, formats
from speakerdb.dictionary import METRICS

FLEET = Path(__file__).resolve().parents[2] / "seed_data" / "fleet"
SESSIONS = 50
IDS = tuple(METRICS)
# 400 draws of the part of the errors that both draw afresh: a correlation of two metrics is known to about 0.05
CORRELATION = 0.2


def uncertainties(grid, name):
    """(averaged, from all curves) of one session."""
    table = derive.derive([grid]).values
    value = np.where(table.censored[0] == 0, table.value[0], np.nan)
    return derive.averaged_uncertainty(grid, name, IDS, value), derive.session_uncertainty(
        grid, name, IDS, value
    ).uncertain


@cache
def both():
    """The same of SESSIONS sessions of the fleet with both orbits."""
    grids = (derive.to_grid(formats.read_session(f, root=FLEET, sheet=None)) for f in formats.find_sessions(FLEET))
    whole = [g for g in grids if len(g.angle_deg) >= 70][:SESSIONS]
    assert len(whole) == SESSIONS
    return [uncertainties(grid, f"averages|{number}") for number, grid in enumerate(whole)]


def shared_metrics():
    return [j for j in range(len(IDS)) if sum(not np.isnan(a.se[j]) for a, _ in both()) > SESSIONS // 2]


def test_means_and_spreads_agree_in_every_metric():
    judged = shared_metrics()
    assert len(judged) >= 20
    for j in judged:
        known = [(a, f) for a, f in both() if f.se[j] > 0 and not np.isnan(a.se[j])]
        shift = np.array([(a.corrected[j] - f.corrected[j]) / f.se[j] for a, f in known])
        ratio = np.array([a.se[j] / f.se[j] for a, f in known])
        assert abs(np.median(shift)) < 0.05, IDS[j]
        assert np.median(ratio) == pytest.approx(1.0, abs=0.05), IDS[j]


def test_metrics_go_together_in_the_same_way():
    judged = shared_metrics()
    differences = []
    for a, f in both():
        rows = [j for j in judged if a.se[j] > 0 and f.se[j] > 0]
        differences.append(np.abs(np.corrcoef(a.draws[rows]) - np.corrcoef(f.draws[rows])).max())
    assert np.median(differences) < CORRELATION


def test_a_metric_that_needs_single_curves_has_no_averaged_interval():
    averaged, full = both()[0]
    for metric in ("tone_up_deg", "best_listening_angle_deg", "turning_sensitivity_db"):
        assert np.isnan(averaged.se[IDS.index(metric)])
        assert not np.isnan(full.se[IDS.index(metric)])
    j = IDS.index("treble_balance_db")
    assert averaged.se[j] == pytest.approx(full.se[j], rel=0.05)
