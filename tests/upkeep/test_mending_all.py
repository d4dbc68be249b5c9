"""Filters are worked out once and kept, and out of date as soon as a speaker's sessions change; ranks read them."""

from __future__ import annotations

import pytest

import speakerdb
from speakerdb.errors import RequestError
from speakerdb.field.field import NOT_EQUALISED
from speakerdb.field.mending import definitions
from speakerdb.store import equalised
from tests.folders import write_session

KINDS = {"hill": 60.0, "fell": 45.0, "tarn": 80.0}


@pytest.fixture
def base(tmp_path):
    for name, bass in KINDS.items():
        tilt = -0.9 if name == "fell" else 0.0
        write_session(tmp_path / "in" / name, bass_hz=bass, tilt_db=tilt, model=name.title(), slug=name)
    write_session(tmp_path / "in" / "deep", model="Deep", slug="deep", kind="subwoofer")
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(tmp_path / "in")} == {"stored"}
        base.work_out()
        yield base


def test_before_it_is_worked_out_a_rank_says_how_many_are_still_to_do(base):
    answer = base.rank("preference", equalised=True)
    assert len(answer) == 0
    assert answer.withheld["reason"].to_list().count(NOT_EQUALISED) == 4
    assert any(c.startswith("4 are still to do") for c in answer.cautions)


def test_ranks_with_filters_are_the_values_that_equalise_tells(base):
    before = base.state.state
    seen = []
    assert base.equalise_all(begin=seen.append, advance=seen.append) == 4
    assert seen == [4, 1, 1, 1, 1]
    assert base.state.state != before
    each = {name: base.equalise(name).after for name in KINDS}
    for metric in ("preference", "flatness_window_db", "bass_balance_db"):
        answer = base.rank(metric, equalised=True)
        assert len(answer) == 3
        for row in answer.rows.iter_rows(named=True):
            told = each[row["speaker"]][metric]
            assert row["value"] == pytest.approx(told["value"], rel=1e-12)
            assert (row["low"], row["high"]) == pytest.approx((told["low"], told["high"]), rel=1e-9)
    assert not any("still to do" in c for c in answer.cautions)
    told = {r["speaker"]: r["reason"] for r in answer.withheld.iter_rows(named=True)}
    assert "subwoofer" in told["deep"]
    assert base.verify() == []


def test_a_tilt_that_all_directions_share_is_mended_in_the_rank(base):
    base.equalise_all()
    plain = {r["speaker"]: r["value"] for r in base.rank("flatness_window_db").rows.iter_rows(named=True)}
    mended = {
        r["speaker"]: r["value"] for r in base.rank("flatness_window_db", equalised=True).rows.iter_rows(named=True)
    }
    assert mended["fell"] < 0.6 * plain["fell"]


def test_it_is_done_once_and_again_for_those_whose_sessions_changed(base, tmp_path):
    base.equalise_all()
    assert base.equalise_all() == 0
    write_session(tmp_path / "more", bass_hz=61.0, model="Hill", slug="hill", date="2026-04-01")
    base.ingest(tmp_path / "more")
    base.work_out()
    assert [base.find(name)[0] for name in ("hill",)] == [
        speaker for speaker, _, _ in equalised.pending(base.store.con, definitions())
    ]
    answer = base.rank("preference", equalised=True)
    assert set(answer.rows["speaker"]) == {"fell", "tarn"}
    assert any(c.startswith("1 is still to do") for c in answer.cautions)
    assert base.equalise_all() == 1
    assert len(base.rank("preference", equalised=True)) == 3


def test_what_filters_don_t_change_is_not_ranked_so(base):
    with pytest.raises(RequestError, match="not changed by equalisation"):
        base.rank("di_power_mean_db", equalised=True)
