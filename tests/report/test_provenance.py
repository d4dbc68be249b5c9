"""How a session was measured, in words."""

from __future__ import annotations

import speakerdb
from speakerdb.report import provenance
from tests.folders import write_session

NEAR = '{from_hz = 20, to_hz = 350, method = "near-field"}'
BANDS = f'[{NEAR}, {{from_hz = 350, to_hz = 20000, method = "gated", gate_ms = 4.4}}]'


def test_gates_and_what_was_merged_are_told(tmp_path):
    write_session(tmp_path / "in" / "a", model="A", method="gated", gate_ms=5)
    folder = write_session(tmp_path / "in" / "b", model="B", method="gated")
    (folder / "session.toml").write_text((folder / "session.toml").read_text() + f"bands = {BANDS}\n")
    write_session(tmp_path / "in" / "c", model="C", method="anechoic")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        told = [provenance.sessions(base, f"alder-fen-{model}")[0].method for model in "abc"]
    assert told == [
        "by gated measurement (5 ms)",
        "by gated measurement: near-field to 350 Hz and gated (4.4 ms) above",
        "in an anechoic room",
    ]
