"""Noise of a pair of speakers: what they share cancels, the rest adds as squares, and the output's is that of its
sweeps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from seed_data.generate import FLEET
from speakerdb.analysis import nearness
from speakerdb.answering.telling import MatchedSession, curve_noise, measure_differently
from speakerdb.derive import derive, session_uncertainty, to_grid
from speakerdb.formats import read_session
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession
from speakerdb.statistics.error_model import DEFAULT, Alignment, ErrorModel
from speakerdb.statistics.match_noise import CurveNoise, noise_between
from tests.covariances import law
from tests.store.builders import info

SHED, ATTIC = "/shed|spin|", "/attic|spin|"
METRIC_IDS = tuple(METRICS)


def flat(sd):
    return np.full(199, sd, np.float32)


def speaker(bench=SHED, run="one", reading=0.0, session=0.0):
    return CurveNoise(
        {name: flat(reading) for name in nearness.NAMES}, flat(session), flat(0.5), ((bench, 1.0),), {run: 0.15}
    )


def spread(drawn):
    return float(np.sqrt(np.mean(drawn**2)))


def test_on_one_bench_and_in_one_run_nothing_but_readings_and_sessions_differ():
    drawn = noise_between(speaker(), speaker(), DEFAULT)
    for name in ("listening_window", "in_room", "di_power", "usable_output"):
        assert not drawn[name].any()
    assert (drawn["beamwidth_vertical"] == 1.0).all()


def test_readings_and_sessions_of_two_speakers_add_as_squares():
    drawn = noise_between(speaker(reading=0.3, session=0.4), speaker(reading=0.3, session=0.4), DEFAULT)
    assert spread(drawn["listening_window"]) == pytest.approx(0.5 * np.sqrt(2), rel=0.05)
    assert spread(drawn["di_power"]) == pytest.approx(0.3 * np.sqrt(2), rel=0.05)  # the session is common to all curves
    beam = 20.0 * np.log10(drawn["beamwidth_horizontal"])
    assert spread(beam) == pytest.approx(0.3 * np.sqrt(2), rel=0.05)


def test_two_benches_add_the_error_of_both_and_aligned_ones_what_is_left():
    drawn = noise_between(speaker(SHED), speaker(ATTIC), DEFAULT)
    assert spread(drawn["listening_window"]) == pytest.approx(0.5 * np.sqrt(2), rel=0.1)
    assert not drawn["di_power"].any()
    left = DEFAULT.bench_sd_db / 10.0
    aligned = ErrorModel(alignments={ATTIC: Alignment(SHED, flat(0.0), left, 6)})
    drawn = noise_between(speaker(SHED), speaker(ATTIC), aligned)
    assert spread(drawn["listening_window"]) == pytest.approx(0.5 / 10.0, rel=0.1)


def test_the_level_of_another_run_moves_usable_output_as_a_whole():
    drawn = noise_between(speaker(run="one"), speaker(run="two"), DEFAULT)
    assert not drawn["listening_window"].any()
    assert (drawn["usable_output"] == drawn["usable_output"][:, :1]).all()
    assert spread(drawn["usable_output"]) == pytest.approx(0.15 * np.sqrt(2), rel=0.1)


# usable output against sweeps with errors by the law of method:statistics#errors-and-their-sizes, drawn here


def field(rng: np.random.Generator, shape: tuple[int, ...], sd: object, width_oct: float) -> np.ndarray:
    values, vectors = np.linalg.eigh(law(nearness.grid.FREQUENCY_HZ, sd, width_oct))
    half = vectors * np.sqrt(np.maximum(values, 0.0))
    return (rng.standard_normal((*shape, 199)) @ half.T).astype(np.float32)


def measured_again(session: GridSession, rng: np.random.Generator) -> GridSession:
    """With other errors of session, level, distortion and compression."""
    sd = np.interp(np.log(nearness.grid.FREQUENCY_HZ), np.log([40.0, 100.0]), [0.3, 0.1])
    common = field(rng, (), sd, 1 / 2) + 0.15 * float(rng.standard_normal())
    at_drive = float(common[nearness.grid.band(300.0, 3000.0)].mean())
    c, d = session.compression, session.distortion
    assert c is not None
    assert d is not None
    compression = replace(
        c,
        drive_db=c.drive_db + at_drive,
        level_db=c.level_db + common + field(rng, (len(c.drive_db),), 0.1, 1 / 6),
    )
    distortion = field(rng, (), 1.0, 1.0) + field(rng, (len(d.drive_db),), 1.0, 1 / 6)
    return replace(
        session,
        level_db=session.level_db + common,
        compression=compression,
        distortion=replace(d, drive_db=d.drive_db + at_drive, level_db=d.level_db + distortion),
    )


def usable(sessions: list[GridSession]) -> np.ndarray:
    """(S, 199), NaN where it is a bound."""
    summary = derive(sessions).summary
    return np.where(summary["usable_low"] == summary["usable_high"], summary["usable_low"], np.nan)


def curves(usable_output: np.ndarray) -> dict[str, np.ndarray]:
    return {name: np.zeros_like(usable_output) for name in nearness.NAMES} | {"usable_output": usable_output}


def far(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return nearness.distances(curves(x), curves(y)).parts["output"]


@pytest.mark.parametrize(
    "folder", ["dunnock-yard-bradawl-5_attic_2025-12-11_8987_plain", "kittlewick-lintel-1_attic_2025-12-29_1109_plain"]
)
def test_the_limit_of_usable_output_is_that_of_repeated_sweeps(folder):
    session = to_grid(read_session(Path(FLEET) / folder))
    found = session_uncertainty(session, folder, METRIC_IDS, np.full(len(METRIC_IDS), np.nan), DEFAULT)
    a = curve_noise([MatchedSession(session.info, folder)], found.noise, DEFAULT)
    drawn = noise_between(a, replace(a, level={"another run": 0.15}), DEFAULT)["usable_output"]
    there = np.where(np.isnan(usable([session])[0]), np.nan, 0.0)
    limit = np.quantile(far(there, drawn + there), 0.95)
    rng = np.random.default_rng(20261126)
    again = usable([measured_again(session, rng) for _ in range(160)])
    distance = np.concatenate([far(x, y[None]) for x, y in zip(again[::2], again[1::2], strict=True)])
    assert 0.0 < np.mean(distance > limit) <= 0.1125  # 5 % of 80 pairs: at most 9


def test_repeats_of_a_subwoofer_are_told_apart_about_one_time_in_twenty():
    """Of its axis, with errors of readings and sessions by the law, drawn here; its noise is what a session stores."""
    f = nearness.grid.FREQUENCY_HZ
    curve = np.where(f < 250.0, 90.0 - 10.0 * np.log10(1.0 + (35.0 / f) ** 8), np.nan)
    session = GridSession(
        info(kind="subwoofer"), np.array([True]), np.array([0.0]), curve[None].astype(np.float32), 20.0
    )
    found = session_uncertainty(session, "a", METRIC_IDS, np.full(len(METRIC_IDS), np.nan), DEFAULT)
    noise = curve_noise([MatchedSession(session.info, "a")], {"on_axis": found.noise["on_axis"]}, DEFAULT)
    rng = np.random.default_rng(7)
    sd = np.interp(np.log(f), np.log([40.0, 100.0]), [0.3, 0.1])
    read = curve + field(rng, (1200,), sd, 1 / 2) + field(rng, (1200,), 0.15, 1 / 6)
    told = [
        measure_differently({"on_axis": a}, {"on_axis": b}, noise, noise, DEFAULT, nearness.WEIGHTS)
        for a, b in zip(read[::2], read[1::2], strict=True)
    ]
    assert 0.03 <= np.mean(told) <= 0.075  # 5 % of 600 pairs, give or take two and a half standard deviations
