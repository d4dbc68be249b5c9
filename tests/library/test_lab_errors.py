"""derive --labs: intervals take a lab's errors to be as large as the speakers that labs share show them."""

from __future__ import annotations

import shutil

import polars as pl
import pytest

import speakerdb
from speakerdb.errors import RequestError
from tests.folders import write_session


def shared_fleet(root, labs=("shed", "barn"), tilt_db=0.6):
    """Three speakers, of one sample each, measured by both labs; the second one's curves are tilted about the first one's."""
    for i in range(3):
        for lab, tilt in zip(labs, (0.0, tilt_db), strict=True):
            write_session(
                root / f"{lab}{i}", bass_hz=40.0 + 8 * i, model=f"Sill {i}", lab=lab, tilt_db=tilt, slug=f"sill-{i}"
            )
    return root


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory):
    root = tmp_path_factory.mktemp("labs")
    shared_fleet(root / "in")
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root / "speakers.duckdb"


@pytest.fixture
def base(worked_out, tmp_path):
    shutil.copy(worked_out, tmp_path)
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        yield base


def errors(base, metric):
    """se of the sessions of sill-0 by lab."""
    rows = base.show("sill-0").filter((pl.col("metric") == metric) & pl.col("session").is_not_null())
    return dict(rows.select("lab", "se").iter_rows())


def test_labs_that_differ_much_get_a_larger_calibration_and_ones_that_repeat_well_a_smaller_repeatability(base):
    before, state = errors(base, "slope_in_room_db_per_octave"), base.state
    ripple = errors(base, "flatness_window_db")
    found = {(e.lab, e.part): e for e in base.adopt_labs()}
    assert set(found) == {(lab, part) for lab in ("shed", "barn") for part in ("calibration", "repeatability")}
    assert found["shed", "calibration"].factor > 1.1
    assert found["shed", "repeatability"].factor < 0.9  # the curves differ by the tilt and nothing else
    assert all(e.speakers == 3 for e in found.values())
    assert base.work_out() == 6
    after = errors(base, "slope_in_room_db_per_octave")
    assert all(after[lab] > 1.05 * before[lab] for lab in before)
    assert all(errors(base, "flatness_window_db")[lab] != ripple[lab] for lab in ripple)
    assert base.state.state != state.state  # another answer, another state
    assert {
        (e.lab, e.part): e for e in base.adopt_labs()
    } == found  # learned from the curves, not from what was learned
    assert base.work_out() == 0


def test_forgetting_brings_back_the_same_numbers_to_the_digit(base):
    before, state = errors(base, "bass_balance_db"), base.state
    base.adopt_labs()
    assert base.state.state != state.state
    base.forget_labs()
    assert base.work_out() == 6
    assert errors(base, "bass_balance_db") == before
    assert base.state.state == state.state
    assert base.adopted_labs() == []


def test_a_sessions_own_figure_stands_before_the_labs(tmp_path):
    shared_fleet(tmp_path / "in")
    own = tmp_path / "in" / "shed0" / "session.toml"
    own.write_text(own.read_text() + "\n[uncertainty]\ncalibration = 0.1\nrepeatability = 0.2\n")
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        assert all(r.result == "stored" for r in base.ingest(tmp_path / "in"))
        base.work_out()
        before = errors(base, "bass_balance_db")
        base.adopt_labs()
        base.work_out()
        after = errors(base, "bass_balance_db")
    assert after["shed"] == before["shed"]
    assert after["barn"] > before["barn"]


def test_without_shared_speakers_nothing_can_be_learned(tmp_path):
    write_session(tmp_path / "in" / "a", model="A")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        with pytest.raises(RequestError, match="two labs"):
            base.adopt_labs()
