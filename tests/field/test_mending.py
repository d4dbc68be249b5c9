"""What filters do to a speaker's values is what a measurement through them would say; what no filter mends is left."""

from __future__ import annotations

import numpy as np
import pytest

import speakerdb
from speakerdb.acoustics import curveset, grid
from speakerdb.analysis import filter_fitting, unmendable
from speakerdb.analysis.filter_fitting import Asked, Filter
from speakerdb.errors import RequestError
from speakerdb.field import mending
from speakerdb.metrics import METRICS
from speakerdb.store import reading
from tests import mended
from tests.folders import ANGLES, FREQUENCY_HZ, KEYS, level_db, toml_text, write_session

FAULTS = [
    Filter("peaking", 900.0, 5.0, 4.0),
    Filter("high_shelf", 5000.0, 3.0, 0.7),
    Filter("peaking", 300.0, -2.0, 1.5),
]


def write(folder, frequency_hz, horizontal, vertical, **keys):
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(toml_text({**KEYS, **keys}), encoding="utf-8")
    lines = ["frequency_hz,orbit,angle_deg,level_db"]
    for orbit, angles, levels in (("horizontal", *horizontal), ("vertical", *vertical)):
        for angle, row in zip(angles, levels, strict=True):
            lines += [f"{f!r},{orbit},{angle},{v:.2f}" for f, v in zip(frequency_hz.tolist(), row, strict=True)]
    (folder / "responses.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """One speaker with faults that filters mend, and a subwoofer."""
    folder = tmp_path_factory.mktemp("mending")
    fault = np.interp(np.log2(FREQUENCY_HZ), grid.LOG2_HZ, filter_fitting.together_db(FAULTS, mended.FS))
    both = [(ANGLES, level_db(ANGLES.astype(float), bass_hz=30.0, narrowing=n) + fault) for n in (1.0, 1.2)]
    write(folder / "in" / "one", FREQUENCY_HZ, *both)
    write_session(folder / "in" / "deep", model="Culvert 8", kind="subwoofer", slug="culvert-8")
    with speakerdb.open(folder / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(folder / "in")} == {"stored"}
        base.work_out()
    with speakerdb.open(folder / "speakers.duckdb") as base:
        yield base


def test_metrics_with_filters_are_those_of_the_filtered_curves_when_they_are_ingested(base, tmp_path):
    answer = base.equalise("sill-5")
    assert answer.filters
    added = filter_fitting.together_db(
        [Filter(f["type"], f["frequency_hz"], f["gain_db"], f["q"]) for f in answer.filters], answer.sampling_hz
    )
    speaker_id, _ = base.find("sill-5")
    active = reading.active_values(base.store.con, [speaker_id])
    (one,) = reading.grid_sessions(base.store.con, active.session_id.tolist())
    level = np.round(one.level_db.astype(np.float64) + added, 2)
    sides = [(one.angle_deg[s].tolist(), level[s]) for s in (one.horizontal, ~one.horizontal)]
    write(tmp_path / "in" / "filtered", grid.FREQUENCY_HZ, *sides)
    with speakerdb.open(tmp_path / "other.duckdb", write=True) as other:
        assert {r.result for r in other.ingest(tmp_path / "in")} == {"stored"}
        theirs = {r["metric"]: r for r in other.show("sill-5").rows.iter_rows(named=True) if r["session"] is None}
    changed = 0
    for metric in mending.JUDGED:
        if METRICS[metric].kinds == "subwoofer":
            continue
        mine = answer.after[metric]
        assert mine["censored"] == theirs[metric]["censored"]
        if theirs[metric]["value"] is None:
            assert mine["value"] is None
            continue
        assert mine["value"] == pytest.approx(theirs[metric]["value"], rel=1e-6, abs=1e-6), metric
        changed += answer.before[metric]["value"] != mine["value"]
    assert changed > 15


def test_filters_that_are_found_undo_the_faults_and_values_get_better(base):
    answer = base.equalise("sill-5")
    for metric in ("flatness_window_db", "nbd_on_axis_db", "nbd_in_room_db"):
        assert answer.after[metric]["value"] < 0.5 * answer.before[metric]["value"]
        assert answer.after[metric]["low"] <= answer.after[metric]["value"] <= answer.after[metric]["high"]
    peak = min(answer.filters, key=lambda f: f["gain_db"])
    assert peak["frequency_hz"] == pytest.approx(900.0, rel=0.02)
    assert answer.pregain_db <= 0.0


def test_a_subwoofer_and_an_unknown_curve_are_refused_in_words(base):
    with pytest.raises(RequestError, match="subwoofer"):
        base.equalise("culvert-8")


def _speaker(change):
    """(5, 199) curves of a round source that narrows, changed slot by slot."""
    away = np.concatenate([ANGLES, ANGLES])
    level = 85.0 - np.multiply.outer(
        (1.0 - np.cos(np.radians(away))) / 2.0, 3.0 * np.log2(1.0 + grid.FREQUENCY_HZ / 500.0)
    )
    c = curveset.curve_set(change(level, away))
    return np.stack([c.on_axis, c.lw, c.er, c.sp, c.in_room])


def _dip(f0, depth, width_oct):
    return -depth * np.exp(-((np.log2(grid.FREQUENCY_HZ / f0) / width_oct) ** 2))


def _named(curves):
    deviation = filter_fitting.deviations(mending.CurveSet(*curves))
    common = filter_fitting.mendable(deviation, 20.0)
    filters = mended.found_for(curves)
    added = filter_fitting.together_db(filters, mended.FS)
    return filters, unmendable.left_over(deviation, added, filter_fitting.cancelled(common, 3.0), 20.0)


def _covers(left, hz):
    return [one.why for one in left if one.from_hz <= hz <= one.to_hz]


def test_a_vertical_lobe_gets_no_filter_and_is_named():
    def lobe(level, away):
        steep = np.exp(-(((np.abs(away) - 40.0) / 25.0) ** 2)) * (np.arange(72) >= 36)
        return level + steep[:, None] * _dip(2500.0, 15.0, 0.25)

    plain, _ = _named(_speaker(lambda level, away: level))
    filters, left = _named(_speaker(lobe))
    assert len(filters) <= len(plain)
    assert not [f for f in filters if 1800.0 < f.frequency_hz < 3500.0]
    assert _covers(left, 2500.0) == [unmendable.REFLECTED]


def test_a_comb_on_the_axis_alone_gets_no_filter_and_is_named():
    def comb(level, away):
        ripple = 2.5 * np.sin(2 * np.pi * grid.FREQUENCY_HZ / 1500.0) * (grid.FREQUENCY_HZ > 1000.0)
        return level + np.where((away == 0)[:, None], ripple, 0.0)

    filters, left = _named(_speaker(comb))
    assert all(abs(f.gain_db) < 1.0 for f in filters)
    assert {one.why for one in left if one.from_hz > 900.0} == {unmendable.AXIS}


def test_a_cancellation_in_all_directions_gets_no_boost_and_is_named():
    filters, left = _named(mended.even() + _dip(1200.0, 12.0, 0.15))
    assert not [f for f in filters if f.gain_db > 0.5]
    assert _covers(left, 1200.0) == [unmendable.CANCELLATION]


def test_a_resonance_beside_a_lobe_is_found():
    def both(level, away):
        steep = np.exp(-(((np.abs(away) - 40.0) / 25.0) ** 2)) * (np.arange(72) >= 36)
        ring = filter_fitting.together_db([Filter("peaking", 900.0, 4.0, 5.0)], mended.FS)
        return level + steep[:, None] * _dip(2500.0, 15.0, 0.25) + ring

    filters, _ = _named(_speaker(both))
    deepest = min(filters, key=lambda f: f.gain_db)
    assert deepest.frequency_hz == pytest.approx(900.0, rel=0.01)
    assert deepest.gain_db == pytest.approx(-4.0, abs=0.5)


@pytest.mark.parametrize("seed", range(101, 107))
def test_injected_filters_are_recovered(seed):
    rms, most = mended.missed(mended.random_filters(np.random.default_rng(seed)))
    assert rms <= 0.1
    assert most <= 0.25


def test_what_would_lift_the_bass_is_withheld(monkeypatch, base):
    lifting = (Filter("low_shelf", 200.0, 3.0, 0.7),)
    monkeypatch.setattr(mending.filter_fitting, "fit", lambda *_: lifting)
    speaker_id, slug = base.find("sill-5")
    found = mending.mend(base.store, speaker_id, base.setting(slug), Asked())
    assert found.withheld == mending.OVERDRIVES
    assert found.in_use == ()
    assert found.after is None


def test_a_set_that_makes_narrow_bands_worse_is_withheld(monkeypatch, base):
    worse = (Filter("peaking", 2000.0, 3.0, 8.0),)
    monkeypatch.setattr(mending.filter_fitting, "fit", lambda *_: worse)
    answer = base.equalise("sill-5")
    assert "narrow-band deviation" in answer.withheld
    assert answer.filters == []
    assert answer.before == answer.after


@pytest.mark.parametrize(
    "asked",
    [{"bands": 0}, {"bands": 6}, {"fs": 22050.0}, {"ringing": "34,abc"}, {"ringing": "1,2,3,4"}, {"room": "5x4"}],
)
def test_bad_input_is_told_beside_its_field(base, asked):
    with pytest.raises(RequestError, match="expected"):
        base.equalise("sill-5", **asked)


def test_ringing_frequencies_get_cuts_and_the_mode_next_to_them(base):
    # 5 × 4 × 2.5 m: c/2L = 34.3, 42.9, 68.6 twice
    answer = base.equalise("sill-5", ringing="34,55,100", room="5x4x2.5")
    cuts = [f for f in answer.filters if f["purpose"] == "room"]
    assert [f["frequency_hz"] for f in cuts] == [34.0, 55.0, 100.0]
    assert all(f["gain_db"] < 0 and 3.0 <= f["q"] <= 8.0 for f in cuts)
    assert [m["order"] for m in answer.ringing[:2]] == [[1, 0, 0], [1, 1, 0]]
    assert any("cancellation" in c for c in answer.cautions)
