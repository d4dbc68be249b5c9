"""Which benches there are: counted from what was stored."""

from __future__ import annotations

import speakerdb
from tests.folders import write_session


def test_a_bench_is_a_lab_with_its_method_and_calibration_and_counts_only_what_stands(tmp_path):
    write_session(tmp_path / "a", bass_hz=40.0, model="Sill 1", lab="shed")
    write_session(tmp_path / "b", bass_hz=50.0, model="Sill 2", lab="shed")
    write_session(tmp_path / "c", bass_hz=60.0, model="Sill 3", lab="shed", calibration="2026-02")
    write_session(tmp_path / "d", bass_hz=70.0, model="Sill 4", lab="attic")
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        session = base.show("sill-4").sessions[0]["session"]
        before = base.benches()
        base.withdraw(session, "the wrong speaker")
        after = base.benches()
    assert before.rows.select("lab", "calibration", "sessions").rows() == [
        ("shed", None, 2),
        ("attic", None, 1),
        ("shed", "2026-02", 1),
    ]
    assert before["in_line_with"].to_list() == [None, None, None]
    assert after["lab"].to_list() == ["shed", "shed"]
