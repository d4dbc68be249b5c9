"""A merged session from its folder to what is told of it, and out again."""

from __future__ import annotations

import polars as pl
import pytest

import speakerdb
from tests.folders import write_session

NEAR = '{from_hz = 20, to_hz = 350, method = "near-field"}'


def merged(gate_ms: float) -> str:
    return f'bands = [{NEAR}, {{from_hz = 350, to_hz = 20000, method = "gated", gate_ms = {gate_ms}}}]\n'


def write_merged(folder, gate_ms=4.4, **keys):
    toml = write_session(folder, method="gated", **keys) / "session.toml"
    toml.write_text(toml.read_text() + merged(gate_ms))
    return folder


@pytest.fixture
def base(tmp_path):
    write_merged(tmp_path / "a", model="A")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        (result,) = base.ingest(tmp_path / "a")
        assert (result.result, result.warnings) == ("stored", ())
        base.work_out()
        yield base


def test_a_merged_session_is_kept_as_it_was_said(base, tmp_path):
    assert base.verify() == []
    assert [r.result for r in base.ingest(tmp_path / "a")] == ["already"]
    (session,) = base.show("alder-fen-a").rows["session"].drop_nulls().unique()
    facts = base.export_sofa(session, tmp_path / "a.sofa").read_text()
    assert facts.count("[[bands]]") == 2
    assert "gate_ms = 4.4" in facts


def test_the_same_curves_with_other_bands_are_refused_with_what_differs(base, tmp_path):
    (result,) = base.ingest(write_merged(tmp_path / "b", gate_ms=5.0, model="A"))
    assert result.result == "refused"
    assert any("bands" in f"{e.found} {e.expected}" for e in result.errors)


def test_what_the_gate_hides_is_told_and_bass_limits_stand(base):
    shown = base.show("alder-fen-a")
    pooled = shown.rows.filter(pl.col("session").is_null())
    assert pooled.filter(metric="f6_hz")["status"].to_list() == ["ok"]
    assert pooled.filter(metric="preference")["status"].to_list() == ["ok"]
    (told,) = (c for c in shown.cautions if "under-read" in c)
    assert "Q above 4.4 at 1 kHz" in told


def test_gated_sessions_teach_nothing(tmp_path):
    for i in range(6):
        for repeat in (1, 2):
            write_merged(tmp_path / "in" / f"{i}-{repeat}", model=f"M{i}", repeat=repeat, bass_hz=50 + i)
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        assert all(part.n == 0 for part in base.learn().parts)
