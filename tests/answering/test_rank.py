import pytest

import speakerdb
from tests.folders import write_session


@pytest.fixture
def base(tmp_path):
    """Five speakers; sill-0 to sill-2 have nearly the same bass limit."""
    for i, bass in enumerate((40.0, 40.5, 41.0, 90.0, 160.0)):
        write_session(tmp_path / "in" / f"s{i}", bass_hz=bass, model=f"Sill {i}", slug=f"sill-{i}")
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as database:
        database.ingest(tmp_path / "in")
        yield database


def test_near_ties_share_their_ranks_and_the_clear_ones_do_not(base):
    base.work_out()
    frame = base.rank("f3_hz").rows
    assert frame["speaker"].to_list() == [f"sill-{i}" for i in range(5)]
    assert frame["rank_low"].to_list() == [1, 1, 1, 4, 5]
    assert frame["rank_high"].to_list() == [3, 3, 3, 4, 5]
    assert base.rank("f3_hz", top=2).rows["rank_high"].to_list() == [3, 3]  # of all, not of those shown


def test_without_worked_out_uncertainty_nothing_is_said_of_ranks_it_can_have(base):
    frame = base.rank("f3_hz").rows
    assert frame["rank"].to_list() == [1, 2, 3, 4, 5]
    assert frame["rank_low"].null_count() == frame["rank_high"].null_count() == 5


def test_speakers_of_an_older_error_model_are_withheld_until_they_are_renewed(base):
    base.work_out()
    before = base.rank("f3_hz").rows
    with base.store.transaction():
        base.store.con.execute("UPDATE session SET error_model = '3|7' WHERE session_id = 1")
    found = base.rank("f3_hz")
    assert found.rows["speaker"].to_list() == before["speaker"].to_list()[1:]
    assert found.withheld.rows() == [
        ("sill-0", "plain", "worked out under an older error model; run `speakerdb derive`")
    ]
    assert base.derive().sessions == 1
    base.work_out()
    assert base.rank("f3_hz").rows.equals(before)
