"""The order of the field held against the model that it was measured from: who stands first is so in truth, as far as
one bench can tell.

Truth: the noiseless model with that unit's own sample error, on the bench that all are measured on. What the bench
itself colours is in both (a ranking says so: "on this bench").
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

import speakerdb
from seed_data.errors import Errors
from seed_data.generate import generate
from seed_data.model.air import FREQUENCY_HZ
from seed_data.plan import visits
from speakerdb.acoustics import grid
from speakerdb.derive import derive
from tests import truth

BENCH = ("shed",)
SEEDS = [f"order {n}" for n in range(5)]
QUICK = [*SEEDS[:1], *(pytest.param(seed, marks=pytest.mark.slow) for seed in SEEDS[1:])]
LEAST = {
    "preference": 0.985,
    "smoothness_in_room": 0.985,
    "flatness_window_db": 0.985,
    "f3_hz": 0.985,
    "f6_hz": 0.985,
    "f10_hz": 0.985,
    "power_f6_hz": 0.985,
    "nbd_on_axis_db": 0.96,
    "nbd_in_room_db": 0.95,
    "nbd_window_db": 0.95,
    "treble_balance_db": 0.975,
}
WIDEST = {
    "flatness_window_db": 0.20,
    "preference": 0.20,
    "smoothness_in_room": 0.15,
    "nbd_window_db": 0.35,
    "nbd_in_room_db": 0.35,
    "f6_hz": 0.20,
    "treble_balance_db": 0.25,
    "di_power_mean_db": 0.08,
}


def on_the_bench(seed):
    """(63, 72, 199) levels of each unit, and of its measurement, both with the bench's error."""
    errors = Errors(seed)
    bench = [grid.to_grid(FREQUENCY_HZ, errors.bench_db(v)[None])[0] for v in truth.first_visits(benches=BENCH)]
    return truth.unit_levels(seed) + np.stack(bench)[:, None, :], truth.measured_levels(seed, benches=BENCH)


def values(level_db, metrics):
    table = derive(truth.sessions(level_db, benches=BENCH), metrics).values
    exact = np.where(table.censored == 0, table.value, np.nan)
    return {m: exact[:, table.metrics.index(m)] for m in metrics}


@pytest.mark.parametrize("seed", QUICK)
def test_the_order_measured_is_the_true_one_but_for_near_ties(seed):
    """But for the few whose bass limit errors carry to another place altogether: a dip at the threshold, which `show`
    tells of."""
    unit, measured = (values(level, tuple(LEAST)) for level in on_the_bench(seed))
    jumped = np.zeros(len(unit["f6_hz"]), bool)
    for metric in ("f3_hz", "f6_hz", "f10_hz", "power_f6_hz"):
        with np.errstate(invalid="ignore"):
            jumped |= np.abs(np.log2(measured[metric] / unit[metric])) > 1 / 3
    assert jumped.sum() <= 3
    found = {}
    for metric in LEAST:
        both = ~np.isnan(unit[metric]) & ~np.isnan(measured[metric]) & ~jumped
        assert both.sum() >= 55
        found[metric] = float(spearmanr(unit[metric][both], measured[metric][both])[0])
    assert {m: round(r, 3) for m, r in found.items() if r < LEAST[m]} == {}


@pytest.mark.slow
@pytest.mark.parametrize("seed", ["demo fleet 1", "width seed 1", "width seed 2"])
def test_the_demo_can_be_ranked(seed, tmp_path):
    """Median width of the places as a share of the field: the fleet as another seed's errors give it, with what its
    repeats teach."""
    generate(tmp_path / "fleet", visits(), Errors(seed))
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(tmp_path / "fleet")} == {"stored"}
        assert base.adopt().version == 1
        base.derive()
        base.work_out()
        ranked = {metric: base.rank(metric).rows for metric in WIDEST}
    width = {m: (r["rank_high"] - r["rank_low"] + 1).median() / len(r) for m, r in ranked.items()}
    assert {m: round(w, 3) for m, w in width.items() if w > WIDEST[m]} == {}
