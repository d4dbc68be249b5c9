"""No value of the fleet lies outside its interval, in none of the three statements, neither a session's nor a pooled
one."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from seed_data.generate import FLEET
from speakerdb import derive, formats
from speakerdb.metrics import METRICS
from speakerdb.statistics import intervals
from speakerdb.statistics.error_model import DEFAULT, SharedKeys

IDS = tuple(METRICS)
EVERY_TENTH = 10
STATEMENTS = ("", "_absolute", "_unit")


@cache
def sessions(step):
    """Every n-th session of the fleet: (sessions on the grid, their values, their uncertainty)."""
    folders = formats.find_sessions(FLEET)[::step]
    grids = [derive.to_grid(formats.read_session(folder, root=FLEET, sheet=None)) for folder in folders]
    table = derive.derive(grids).values
    return (
        grids,
        table,
        [
            derive.session_uncertainty(g, folder.name, IDS, v, DEFAULT)
            for g, folder, v in zip(grids, folders, table.value, strict=True)
        ],
    )


def outside(value, columns):
    """Where a value with an interval does not lie in it: [(metric, statement), …]."""
    found = []
    slack = 1e-9 * np.maximum(np.abs(value), 1.0)
    for kind in STATEMENTS:
        low, high = columns[f"low{kind}"], columns[f"high{kind}"]
        known = ~np.isnan(low) & ~np.isnan(value)
        found += [(IDS[j], kind) for j in np.flatnonzero(known & ~((low <= value + slack) & (value <= high + slack)))]
    return found


def check_sessions(step):
    _, table, every = sessions(step)
    judged = 0
    for value, uncertainty in zip(table.value, every, strict=True):
        assert not outside(value, uncertainty.columns)
        judged += int((~np.isnan(uncertainty.columns["low"])).sum())
    return judged


def test_a_tenth_of_the_fleets_sessions_hold_their_values():
    assert check_sessions(EVERY_TENTH) > 300


@pytest.mark.slow
def test_all_of_the_fleets_sessions_hold_their_values():
    assert check_sessions(1) > 3000


@pytest.mark.slow
def test_all_pooled_values_of_the_fleet_lie_in_their_intervals():
    grids, table, every = sessions(1)
    speaker = [f"{g.info.slug} {g.info.setting}" for g in grids]
    _, group = np.unique(speaker, return_inverse=True)
    by = derive.Grouping(group, [g.info.sample for g in grids], [g.info.lab for g in grids])
    columns = {name: np.stack([u.columns[name] for u in every]) for name in every[0].columns}

    def draws(rows):
        layers = ((columns["se"], "own"), (columns["se_bench"], "bench"))
        return tuple(
            intervals.decode(se[rows], np.stack([getattr(every[r], name) for r in rows])) for se, name in layers
        )

    keys = [SharedKeys.of(g.info, str(number)) for number, g in enumerate(grids)]
    pooled = derive.pool_table(table, by)
    found = derive.pool_spread(table, pooled, derive.Spread(columns, keys, draws), by)
    assert by.count < len(grids) - 20
    for g in range(by.count):
        assert not outside(found.value[g], {name: column[g] for name, column in found.columns.items()})
