"""Noise-only distances from standard deviations of averaged curves, held against noise-only distances from all 72 curves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from speakerdb.acoustics import curveset, directivity, grid
from speakerdb.analysis import match
from speakerdb.derive import session_uncertainty
from speakerdb.dictionary import METRICS
from speakerdb.session import GridSession
from speakerdb.statistics import draws, match_noise
from speakerdb.statistics.error_model import DRAWS, SharedKeys
from speakerdb.statistics.match_noise import CurveNoise
from tests.statistics.field_coverage import session_of, truths

PLANES = {"beamwidth_horizontal": ("left", "right"), "beamwidth_vertical": ("up", "down")}


def matched_curves(level_db: np.ndarray) -> dict[str, np.ndarray]:
    """The curves that relatives are found by, straight from levels (n, 72, 199)."""
    power = curveset.power_of(level_db.astype(float))
    c = curveset.curve_set(level_db.astype(float), power)
    smoothed = 10 * np.log10(grid.smooth_third_octave(power))
    beams = {name: directivity.full_angle(smoothed, sides).deg for name, sides in PLANES.items()}
    return {"listening_window": c.lw, "in_room": c.in_room, "di_power": c.di_power, **beams}


def all_curves(session: GridSession, name: str) -> dict[str, np.ndarray]:
    keys = SharedKeys.of(session.info, name)
    shared = draws.shared_errors(session.info, keys)
    parts = [
        matched_curves(draws.noisy_levels(session.level_db, shared, session.info, keys, first, first + 40))
        for first in range(0, DRAWS, 40)
    ]
    return {curve: np.concatenate([p[curve] for p in parts]) for curve in parts[0]}


def curve_noise(session: GridSession, name: str) -> CurveNoise:
    shared = draws.shared_errors(session.info, SharedKeys.of(session.info, name))
    found = session_uncertainty(session, name, tuple(METRICS), np.full(len(METRICS), np.nan))
    common = (shared.calibration + shared.sample)[: match_noise.DRAWS]
    return CurveNoise(common, {curve: np.nan_to_num(sd) for curve, sd in found.noise.items()})


def limits(level_db: np.ndarray, name: str, *, one_lab: bool) -> tuple[float, float, float]:
    """95 % point of the distance of two equal speakers from 72 curves; the same from averaged curves; share of the first beyond it."""
    a, b = session_of(level_db, f"{name} a"), session_of(level_db, f"{name} b")
    if one_lab:
        b = dataclasses.replace(b, info=dataclasses.replace(b.info, lab=a.info.lab))
    own = {curve: rows[0] for curve, rows in matched_curves(level_db[None]).items()}
    first, second = all_curves(a, "a"), all_curves(b, "b")
    apart = {c: own[c] * first[c] / second[c] if c in PLANES else own[c] + first[c] - second[c] for c in own}
    full, _ = match.distances(own, apart)
    drawn = match_noise.noise_curves(curve_noise(a, "a"), curve_noise(b, "b"), name)
    near = {c: own[c] * drawn[c] if c in PLANES else own[c] + drawn[c] for c in own}
    short, _ = match.distances(own, near)
    limit = float(np.quantile(short, match_noise.LEVEL))
    return float(np.quantile(full, match_noise.LEVEL)), limit, float(np.mean(full > limit))


@pytest.mark.parametrize("one_lab", [True, False])
@pytest.mark.parametrize("row", [0, 30])
def test_the_limit_for_telling_apart_is_that_of_all_72_curves(row, one_lab):
    full, limit, beyond = limits(truths()[row], f"match {row}", one_lab=one_lab)
    assert limit == pytest.approx(full, rel=0.1)
    assert 0.01 <= beyond <= 0.11  # 5 % of equal pairs; 400 draws against a limit from 200


@pytest.mark.slow
def test_over_the_field_equals_are_told_apart_one_time_in_twenty():
    found = np.array([limits(level, f"field {i}", one_lab=i % 2 == 0) for i, level in enumerate(truths())])
    assert len(found) >= 50
    assert np.mean(found[:, 1] / found[:, 0]) == pytest.approx(1.0, abs=0.02)
    assert np.abs(found[:, 1] / found[:, 0] - 1.0).max() < 0.15
    assert found[:, 2].mean() == pytest.approx(0.05, abs=0.015)
