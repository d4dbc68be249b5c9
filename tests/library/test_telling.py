"""Relatives are told apart only where errors of measurement could not put them so far from each other."""

from __future__ import annotations

import numpy as np
import pytest

import speakerdb
from speakerdb.statistics import match_noise
from speakerdb.statistics.match_noise import CurveNoise
from tests.folders import write_session


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    root = tmp_path_factory.mktemp("telling")
    write_session(root / "in" / "a", model="A", bass_hz=50.0)
    write_session(root / "in" / "b", model="B", bass_hz=50.5)  # differs by less than any bench can see
    write_session(root / "in" / "c", model="C", bass_hz=50.0, tilt_db=1.5)  # 6 dB more treble than bass over the band
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
        yield base


def test_a_difference_below_the_noise_is_not_told_apart_and_a_plain_one_is(base):
    rows = {r["speaker"]: r for r in base.match("alder-fen-a", exact=True).iter_rows(named=True)}
    assert rows["alder-fen-b"]["distinguishable"] is False
    assert rows["alder-fen-b"]["beyond_noise_db"] == 0.0
    assert rows["alder-fen-c"]["distinguishable"] is True
    assert 0 < rows["alder-fen-c"]["beyond_noise_db"] < rows["alder-fen-c"]["distance_db"]


def test_without_worked_out_noise_nothing_is_said(tmp_path):
    write_session(tmp_path / "in" / "a", model="A")
    write_session(tmp_path / "in" / "b", model="B", bass_hz=70)
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as fresh:
        fresh.ingest(tmp_path / "in")
        assert fresh.match("alder-fen-a")["distinguishable"].to_list() == [None]


def test_what_two_speakers_share_cancels_and_the_rest_adds_as_squares():
    rng = np.random.default_rng(1)
    shared = rng.normal(size=(200, 199)).astype(np.float32)
    sd = {"listening_window": np.full(199, 0.3, np.float32), "di_power": np.full(199, 0.4, np.float32)}
    apart = match_noise.noise_curves(CurveNoise(shared, sd), CurveNoise(shared, sd), "k")
    assert apart["listening_window"].std() == pytest.approx(0.3 * np.sqrt(2), rel=0.05)
    assert apart["di_power"].std() == pytest.approx(0.4 * np.sqrt(2), rel=0.05)
    other = match_noise.noise_curves(CurveNoise(shared, sd), CurveNoise(0 * shared, sd), "k")
    assert other["listening_window"].std() == pytest.approx(np.sqrt(1 + 2 * 0.3**2), rel=0.05)
