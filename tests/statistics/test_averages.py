"""Errors of averaged curves drawn directly, held against draws of all 72 curves (method:statistics#draws)."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from speakerdb.acoustics import curveset, directivity
from speakerdb.acoustics.measured import Measured, Turned
from speakerdb.derive.measuring import readings_of
from speakerdb.metric import Curve
from speakerdb.metrics import METRICS
from speakerdb.statistics.averages import TURNED_AT, Errors, averages_of, repeat_errors, sample_errors
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DEFAULT
from tests import truth

SPEAKERS = 6  # every tenth of the fleet
SEED = "averages"


AVERAGED = [m for m in METRICS.values() if m.kinds != "subwoofer" and all(isinstance(read, Curve) for read in m.reads)]


def metrics(curves, turned):
    measured = Measured(curves, turned=lambda: Turned(turned, TURNED_AT))
    return {m.id: m.compute(measured).value for m in AVERAGED}


def from_all_curves(level_db, error_db):
    """Metrics (B,) of levels (72, 199) with errors (B, 72, 199)."""
    level = level_db + error_db
    power = curveset.power_of(level)
    return metrics(curveset.curve_set(level, power), directivity.turned_in_room(power)[..., TURNED_AT.of_grid])


@cache
def drawn(layer: str):
    """Per speaker the draws of each metric, directly and from all curves: [(metric -> (B,), metric -> (B,)), …]."""
    known = truth.designs()[:: len(truth.designs()) // SPEAKERS][:SPEAKERS]
    slugs = tuple(k.slug for k in known)
    found = []
    for session in truth.sessions(truth.measured_levels(SEED, *slugs), *slugs):
        readings = readings_of([session])[0]
        level = curveset.share_poles(readings)
        reader = Reader.of(session.info, session.info.slug, DEFAULT, readings)
        averages = averages_of(level)
        if layer == "own":
            direct = repeat_errors(averages, reader)[0] + Errors.common(reader.own_common)
            whole = reader.curve_errors() + reader.own_common[:, None]
        else:
            common, away = reader.sample
            direct = sample_errors(averages, common, away)
            whole = common[:, None] + away[:, None] * AWAY[:, None]
        averaged = metrics(averages.curve_set(direct), averages.turned_in_room(direct))
        found.append((averaged, from_all_curves(level, whole)))
    return found


def judged(layer):
    """Metrics that all draws of most speakers have, without those that may be one of two."""
    return [m for m in drawn(layer)[0][0] if sum(np.isfinite(a[m]).all() for a, _ in drawn(layer)) > SPEAKERS // 2]


# In standard errors. Own errors are 400 other draws on either side, so that means differ by 0.07 and spreads by 5 %,
# their medians over six speakers by 0.035 and 2.5 %; the sample's errors are the same draws on both sides.
CLOSE = {"own": 0.1, "sample": 0.01}


@pytest.mark.parametrize("layer", ["own", "sample"])
def test_means_and_spreads_agree_in_every_metric(layer):
    assert len(judged(layer)) >= 20
    for m in judged(layer):
        known = [(a[m], f[m]) for a, f in drawn(layer) if np.isfinite(a[m]).all() and f[m].std() > 0]
        assert np.median([(a.mean() - f.mean()) / f.std() for a, f in known]) == pytest.approx(0.0, abs=CLOSE[layer]), m
        assert np.median([a.std() / f.std() for a, f in known]) == pytest.approx(1.0, abs=CLOSE[layer]), m


@pytest.mark.parametrize("layer", ["own", "sample"])
def test_metrics_go_together_in_the_same_way(layer):
    rows = [
        m for m in judged(layer) if not m.startswith(("f", "power", "rolloff", "preference")) or m.startswith("flat")
    ]
    differences = []
    for a, f in drawn(layer):
        both = [np.corrcoef([np.asarray(x[m], float) for m in rows]) for x in (a, f)]
        differences.append(np.abs(both[0] - both[1]).max())
    # a correlation of 400 draws is known to 0.05: the largest of 150 differences of two lies near 0.2
    assert np.median(differences) < 0.25


def test_what_is_common_to_all_curves_moves_every_average_by_just_that():
    session = truth.sessions(truth.levels(truth.designs()[0].slug), truth.designs()[0].slug)[0]
    averages = averages_of(curveset.share_poles(readings_of([session])[0]))
    common = np.random.default_rng(1).normal(size=(3, 199)).astype(np.float32)
    curves = averages.curve_set(Errors.common(common))
    turned = averages.turned_in_room(Errors.common(common)) - common[:, None, TURNED_AT.of_grid]
    for k, curve in enumerate((curves.on_axis, curves.lw, curves.er, curves.sp, curves.in_room)):
        np.testing.assert_allclose(curve - averages.level_db[k], common, atol=1e-4)
    np.testing.assert_allclose(np.diff(turned, axis=0), 0.0, atol=1e-4)


def test_shares_sum_to_one_and_plain_levels_are_those_of_the_curve_set():
    slug = truth.designs()[3].slug
    level = curveset.share_poles(readings_of(truth.sessions(truth.measured_levels(1, slug), slug))[0])
    averages, plain = averages_of(level), curveset.curve_set(level)
    np.testing.assert_allclose(averages.share.sum(axis=1), 1.0, atol=1e-9)
    for k, curve in enumerate((plain.on_axis, plain.lw, plain.er, plain.sp, plain.in_room)):
        np.testing.assert_allclose(averages.level_db[k], curve, atol=1e-9)
    turned = directivity.turned_in_room(curveset.power_of(level))
    others = [i for i, turn in enumerate(directivity.TURNED) if turn != 0]
    np.testing.assert_allclose(averages.level_db[5:], turned[others], atol=1e-9)


def test_an_average_whose_angles_are_not_all_there_has_no_level_and_takes_no_errors():
    slug = truth.designs()[3].slug
    level = truth.levels(slug)[0].copy()
    level[curveset.v(90)[0]] = np.nan
    averages = averages_of(level)
    assert np.isfinite(averages.level_db[:3]).all()  # of the averages only the power goes straight up
    assert np.isnan(averages.level_db[3:]).all()
