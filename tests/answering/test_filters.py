"""Filters of a question: what passes, what fails and what can't be judged, followed through the file."""

from __future__ import annotations

import speakerdb
from tests.folders import write_session


def test_an_enclosure_is_kept_another_left_out_and_an_unknown_one_told(tmp_path):
    for i, enclosure in enumerate(("sealed", "vented", None)):
        write_session(tmp_path / str(i), bass_hz=40.0 + 10.0 * i, model=f"Sill {i}", enclosure=enclosure)
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path)
        answer = base.rank("f6_hz", enclosure="sealed")
    assert answer["speaker"].to_list() == ["alder-fen-sill-0"]
    assert answer.withheld.rows() == [("alder-fen-sill-2", "plain", "enclosure unknown")]
    assert answer.filters == "enclosure sealed"
