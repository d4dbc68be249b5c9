"""Comparisons of the demo's speakers: every row agrees with itself, and with the places of the same values."""

from __future__ import annotations

import shutil
from itertools import combinations

import numpy as np
import polars as pl
import pytest

import speakerdb
from speakerdb.analysis import differences, ordering
from speakerdb.answering import comparing
from speakerdb.field.sessions import measured
from speakerdb.metrics import METRICS, RANKED
from speakerdb.resources import resource_dir
from speakerdb.statistics.contrasts import Chosen
from speakerdb.statistics.places import better

# A few that were measured in two labs, twice on one bench, as two samples and in two settings
SOME = ("alder-fen-sill-5", "alder-fen-sill-6", "brackwater-weir-2")


@pytest.fixture(scope="module", params=["some", pytest.param("all", marks=pytest.mark.slow)])
def base(request, tmp_path_factory):
    """The demo's speakers, some or all, with their errors worked out."""
    root = tmp_path_factory.mktemp("demo")
    fleet = resource_dir("seed_data") / "fleet"
    for folder in fleet.iterdir():
        if request.param == "all" or folder.name.startswith(tuple(f"{slug}_" for slug in SOME)):
            shutil.copytree(folder, root / "in" / folder.name) if folder.is_dir() else shutil.copy(folder, root / "in")
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        assert all(r.result == "stored" for r in base.ingest(root / "in"))
        base.work_out()
        yield base


@pytest.fixture(scope="module")
def every_pair(base):
    """Rows of the field, and `compare` of all of them in all ranked metrics."""
    rows = base.field.frame().filter(pl.col("is_default"))
    return rows, comparing.compare(base.store, base.field, list(rows.select("speaker_id", "setting").iter_rows()))[0]


def test_no_pair_has_an_interval_that_contradicts_its_p(every_pair):
    _, found = every_pair
    none = pl.when("ratio").then(1.0).otherwise(0.0)
    outside = (pl.col("low") > none) | (pl.col("high") < none)
    assert found.filter(outside != pl.col("differs")).is_empty()
    assert found.filter((pl.col("p") < 0.05) != pl.col("differs")).is_empty()
    assert found.filter((pl.col("difference") < pl.col("low")) | (pl.col("difference") > pl.col("high"))).is_empty()
    assert found.filter((pl.col("q") <= 0.05) & ~pl.col("differs")).is_empty()
    assert set(found["differs"]) == {True, False}


def test_with_all_sessions_compare_tells_apart_what_places_do(base, every_pair):
    rows, found = every_pair
    at = {speaker: i for i, speaker in enumerate(rows["speaker"])}
    judged = 0
    for metric in RANKED:
        mine = found.filter((pl.col("metric") == metric.id) & (pl.col("contrast") == "all"))
        if mine.is_empty():
            continue
        scores = ordering.better_first(comparing.column(base.field, metric, rows))
        i, j = (np.array([at[s] for s in mine[side]]) for side in ("a", "b"))
        either = better(scores, i, j).surely | better(scores, j, i).surely
        np.testing.assert_array_equal(either, mine["differs"].to_numpy(), err_msg=metric.id)
        judged += len(mine)
    assert judged > 50


def test_a_narrower_contrast_is_taken_where_it_is_surer_and_only_there(base, every_pair):
    rows, found = every_pair
    narrow = found.filter(pl.col("contrast") != "all")
    assert len(narrow)
    of_all = differences.compare(
        [comparing.column(base.field, METRICS[m], rows) for m in narrow["metric"].unique(maintain_order=True)],
        list(combinations(range(len(rows)), 2)),
        {},
    )
    both = narrow.join(of_all, on=["metric", "a", "b"], suffix="_all").filter(
        pl.col("low").is_finite() & pl.col("high").is_finite()
    )
    log = pl.col("ratio")
    width, of_all_width = (
        pl.when(log)
        .then((pl.col(f"high{end}") / pl.col(f"low{end}")).log())
        .otherwise(pl.col(f"high{end}") - pl.col(f"low{end}"))
        for end in ("", "_all")
    )
    # mixtures of two branches may lie further apart in the sessions of one lab
    plain = both.filter(~pl.col("metric").is_in([m.id for m in METRICS.values() if m.two_valued]))
    assert plain.filter(width > 1.001 * of_all_width).is_empty()


def test_pooled_values_are_those_of_the_sessions_that_comparisons_take(base):
    rows = base.field.frame()
    sides = list(rows.select("speaker_id", "setting").iter_rows())
    metrics = [METRICS[m] for m in ("flatness_window_db", "preference", "bass_balance_db", "max_level_40hz_db")]
    sessions = measured(base.store, sides, metrics)
    compared = 0
    for metric in metrics:
        column = base.field.metric_column(metric, rows)
        for row, mine in enumerate(sessions[metric.id]):
            if mine and column.lower[row] == column.upper[row]:
                chosen = Chosen(tuple(mine))
                assert column.x[row] == pytest.approx(chosen.x, abs=1e-9)
                own = chosen.own_variance + sum(
                    (w * sd) ** 2 for (part, _), (w, sd) in chosen.loads.items() if part == "run"
                )
                disagree = (
                    base.field.values(metric.id)
                    .filter((pl.col("speaker_id") == sides[row][0]) & (pl.col("setting") == sides[row][1]))["disagree"]
                    .item()
                )
                if not disagree:  # of several, from 400 draws: a standard deviation is known to about 4 %
                    assert column.se[row] == pytest.approx(own**0.5, rel=0.15 if len(mine) > 1 else 1e-3)
                    compared += 1
    assert compared > len(sides)
