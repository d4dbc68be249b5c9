"""A bass limit that hangs on a dip at its threshold is told as what it is: one of two values."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

import speakerdb as speakerdb_package
from tests.folders import write_session


def dipped(folder, depth_db, **keys):
    """The plain made-up speaker with a dip of so many dB at 160 Hz in all directions."""
    write_session(folder, bass_hz=35.0, **keys)
    table = pl.read_csv(folder / "responses.csv")
    octaves = np.log2(table["frequency_hz"].to_numpy() / 160.0)
    level = table["level_db"].to_numpy() - depth_db * np.exp(-((octaves / 0.5) ** 2))
    table.with_columns(level_db=pl.Series(level.round(2))).write_csv(folder / "responses.csv")


@pytest.fixture
def filled(speakerdb, tmp_path):
    dipped(tmp_path / "in" / "near", 3.6, model="Near", slug="near")
    dipped(tmp_path / "in" / "deep", 8.0, model="Deep", slug="deep")
    with speakerdb_package.open(tmp_path / "speakers.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        base.work_out()
    return speakerdb


def test_show_cautions_where_a_dip_decides(filled):
    found = filled("show", "near", "--json").document
    limit = found["pooled"]["f3_hz"]
    below, above = sorted([limit["value"], limit["other_value"]])
    assert below < 60, "the high-pass of 35 Hz"
    assert 160 < above < 320, "the upper edge of the dip at 160 Hz"
    assert limit["low"] <= limit["value"] <= limit["high"]
    assert limit["other_low"] <= limit["other_value"] <= limit["other_high"]
    told = [c for c in found["cautions"] if c.startswith("LF extension (−3 dB): ")]
    assert len(told) == 1
    for value in (below, above):
        assert f"{value:.1f} Hz" in told[0]
    assert "comes within its error of the limit" in told[0]
    out = filled("show", "near").out
    assert f"{limit['value']:.1f} or {limit['other_value']:.1f}" in out
    assert "comes within its error of the limit" in out
    assert not any("−3 dB" in c for c in filled("show", "deep", "--json").document["cautions"])
