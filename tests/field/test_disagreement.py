"""Sessions that disagree, after the file: pooled error and pooled draws are those of their own scatter
(method:statistics#sessions-that-disagree).

Truth: the standard error of a mean of n independent sessions is s/√n, s being their standard deviation, whatever error
each claims for itself; of sessions that agree it is σ/√n.
"""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.field.field import Field
from speakerdb.metric import SAMPLE, UNCERTAINTY
from speakerdb.metrics import METRICS
from speakerdb.statistics.error_model import DRAWS
from speakerdb.statistics.intervals import Layer, encode
from speakerdb.store import Store, writing
from speakerdb.upkeep import adopting, repooling
from tests.store.builders import axis, new_session, summary, values

METRIC = "treble_balance_db"
BENCH = 0.4
THROUGH_THE_FILE = 0.02  # draws are kept in eighths of their standard error


def layer(draws):
    """(n, B) draws as the file keeps them."""
    none = np.zeros(len(draws))
    return encode(Layer(draws, draws.std(axis=1), none, none))


def measured(path, value, own):
    """(pooled value, own draws, bench draws) of one speaker that one bench has measured on as many days, each time with
    an error of `own`."""
    n = len(value)
    table = values(n)
    column = table.metrics.index(METRIC)
    table.value[:, column] = value
    shape = (n, len(table.metrics))
    columns = {name: np.full(shape, np.nan) for name in (*UNCERTAINTY, *SAMPLE)}
    sizes = {"se": own, "se_bench": BENCH, "se_sample": 0.5, "sample_down": 1.0, "sample_up": 1.0}
    for name in ("se", "bias", "se_bench", "bias_bench", "se_sample", "noise_limited", *SAMPLE):
        columns[name][:, column] = sizes.get(name, 0.0)
    # orthonormal: no luck in what follows
    white = np.random.default_rng(1).standard_normal((DRAWS, n + 1))
    draws = np.linalg.qr(white - white.mean(axis=0))[0].T * np.sqrt(DRAWS)
    steps = {name: np.zeros((*shape, DRAWS), np.int8) for name in ("own", "bench")}
    steps["own"][:, column] = layer(own * draws[:n])
    steps["bench"][:, column] = layer(BENCH * draws[n:])
    with Store.open(path, write=True) as store:
        sessions = [new_session(seed=k, date=f"2026-03-{k + 1:02d}") for k in range(n)]
        with store.transaction():
            ids = writing.insert_sessions(store.con, sessions, table, summary(n), axis(n))
            model = adopting.current(store).seed
            writing.replace_uncertainty(store.con, ids, list(METRICS), columns, steps["own"], steps["bench"], model)
            repooling.repool(store, None)
        field = Field(store)
        return field.values(METRIC).row(0, named=True), field.draws(METRIC)[0], field.draws(METRIC, "bench_draw")[0]


@pytest.mark.parametrize(
    ("value", "own", "error", "flagged"),
    [
        ([10.0, 13.0], 0.3, 1.5, True),
        ([10.0, 13.0], 0.05, 1.5, True),
        ([10.0, 13.0, 14.0], 0.3, 1.2019, True),
        ([10.0, 13.0, 14.0], 0.6, 1.2019, True),
        ([10.0, 10.1], 0.3, 0.2121, False),
    ],
)
def test_pooled_error_and_draws_after_the_file_are_those_of_the_sessions_own_scatter(
    tmp_path, value, own, error, flagged
):
    pooled, draws, bench = measured(tmp_path / "x.duckdb", value, own)
    assert pooled["value"] == pytest.approx(np.mean(value))
    assert pooled["disagree"] == flagged
    assert pooled["se"] == pytest.approx(error, rel=THROUGH_THE_FILE)
    assert draws.std() == pytest.approx(error, rel=THROUGH_THE_FILE)
    assert draws.mean() == pytest.approx(0.0, abs=1e-3)
    # their bench is one: it neither averages out nor grows because they disagree
    assert pooled["se_bench"] == pytest.approx(BENCH, rel=THROUGH_THE_FILE)
    assert bench.std() == pytest.approx(BENCH, rel=THROUGH_THE_FILE)
