"""derive --learn, --adopt and --forget: sizes of errors and offsets of benches from what a file holds twice."""

from __future__ import annotations

import dataclasses

import numpy as np
import polars as pl
import pytest

import speakerdb
from speakerdb.acoustics import response
from speakerdb.acoustics.grid import FREQUENCY_HZ as GRID_HZ
from speakerdb.acoustics.grid import band
from speakerdb.field import error_models
from speakerdb.session import GridSession, GridSweeps
from speakerdb.statistics.error_model import Alignment, ErrorModel, bench_key
from speakerdb.upkeep import adopting
from speakerdb.words import learned_words
from tests.folders import FREQUENCY_HZ, KEYS, toml_text
from tests.once import copy_of
from tests.store.builders import info

OCTAVES = np.log2(FREQUENCY_HZ / 1000.0)
SHED, ATTIC = "/shed|near-field-scan|c", "/attic|anechoic|c"
TILT_DB = 0.2  # per octave, by which the attic reads too much
FRONT = [("horizontal", a) for a in (0, 10, -10, 20, -20, 30, -30)] + [("vertical", a) for a in (0, 10, -10)]
TREBLE, TREBLE_BAND = "treble_balance_db", response.TREBLE


def noise(random, width_oct):
    """A field over the raw frequencies: white noise folded over octaves, of unit variance."""
    axis = np.arange(OCTAVES[0] - 1, OCTAVES[-1] + 1, width_oct / 10)
    kernel = np.exp(-2 * np.pi * ((OCTAVES[:, None] - axis) / width_oct) ** 2)
    return kernel @ random.standard_normal(len(axis)) / np.sqrt((kernel**2).sum(axis=1))


def write(
    root, speaker, lab="shed", repeat=1, *, repeat_db=0.3, level_db=0.0, front=FRONT, every=1, more="", **changes
):
    """A visit of a passive speaker: ten curves in front, each with an error of its own; the attic tilts what it
    reads."""
    folder = root / f"s{speaker}-{lab}-{changes.get('sample', '0017')}-{changes.get('date', '')}-{repeat}"
    folder.mkdir(parents=True)
    keys = {
        **KEYS,
        "model": f"Sill {speaker}",
        "slug": f"sill-{speaker}",
        "powered": False,
        "drive_voltage_v": 2.83,
        "lab": lab,
        "repeat": repeat,
        "method": "anechoic" if lab == "attic" else "near-field-scan",
        "calibration": "c",
        **changes,
    }
    (folder / "session.toml").write_text(toml_text(keys) + more, encoding="utf-8")
    random = np.random.default_rng([ord(c) for c in folder.name])
    bass = 85.0 - 10.0 * np.log10(1.0 + ((30.0 + speaker) / FREQUENCY_HZ) ** 4)
    common = bass + level_db + (TILT_DB * OCTAVES if lab == "attic" else 0.0)
    lines = ["frequency_hz,orbit,angle_deg,level_db"]
    for orbit, angle in front:
        level = common - 0.05 * abs(angle) * np.maximum(OCTAVES, 0.0) + repeat_db * noise(random, 1 / 6)
        lines += [
            f"{f:.3f},{orbit},{angle},{v:.3f}" for f, v in zip(FREQUENCY_HZ[::every], level[::every], strict=True)
        ]
    (folder / "responses.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def write_fleet(root, speakers=6, **more):
    """Each speaker twice in the shed and once in the attic."""
    for i in range(speakers):
        write(root, i, **more)
        write(root, i, repeat=2, **more)
        write(root, i, "attic", **more)
    return root


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory):
    def build(root):
        write_fleet(root / "in")
        with speakerdb.open(root / "speakers.duckdb", write=True) as base:
            assert {r.result for r in base.ingest(root / "in")} == {"stored"}
            base.work_out()

    return copy_of("learning", build, tmp_path_factory) / "speakers.duckdb"


@pytest.fixture(scope="module")
def adopted(worked_out, tmp_path_factory):
    def build(root):
        with opened(worked_out, root) as base:
            base.adopt()
            base.derive()
            assert base.work_out() == 18

    return copy_of("adopted", build, tmp_path_factory) / "speakers.duckdb"


def opened(original, folder):
    target = folder / "speakers.duckdb"
    target.write_bytes(original.read_bytes())
    return speakerdb.open(target, write=True)


@pytest.fixture
def base(worked_out, tmp_path):
    with opened(worked_out, tmp_path) as base:
        yield base


@pytest.fixture
def after(adopted, tmp_path):
    """The same file with what it teaches adopted, and values and intervals renewed."""
    (tmp_path / "after").mkdir()
    with opened(adopted, tmp_path / "after") as base:
        yield base


def sessions_of(base, metric, column="value"):
    """(speaker, session) -> a column of `show`."""
    found = {}
    for i in range(6):
        rows = base.show(f"sill-{i}").rows.filter((pl.col("metric") == metric) & pl.col("session").is_not_null())
        found |= {(i, lab, session): value for lab, session, value in rows.select("lab", "session", column).iter_rows()}
    return found


def by_part(found):
    return {s.part: s for s in found.parts}


def test_repeats_and_shared_specimens_are_found_in_the_file(base):
    found = base.learn()
    parts = by_part(found)
    assert (parts["repeatability"].n, parts["repeatability"].sessions) == (6, 12)
    assert parts["repeatability"].seen_sd_db == pytest.approx(0.3, rel=0.15)
    assert parts["session"].seen_sd_db < 0.06
    assert parts["sample"].n == 0
    (pair,) = found.benches
    assert (pair.to_bench, pair.bench, pair.n, pair.reason) == (SHED, ATTIC, 6, None)
    expected = -TILT_DB * np.log2(GRID_HZ / 1000.0)
    inside = band(100.0, 10000.0)
    np.testing.assert_allclose(pair.offset_db[inside], expected[inside], atol=0.25)
    assert found.version == 0
    assert not found.counts


def test_looking_changes_nothing(base):
    state = base.state
    base.learn()
    assert base.state == state
    assert error_models.current(base.store).version == 0


def test_what_is_adopted_counts(base):
    seen = base.learn()
    found = base.adopt()
    assert (found.version, found.counts) == (1, True)
    model = error_models.current(base.store)
    assert model.version == 1
    assert model.factor["repeatability"] == pytest.approx(by_part(seen)["repeatability"].wanted_sd_db / 0.15)
    assert model.factor["sample"] == 1.0  # nothing is known of it
    assert model.alignments[ATTIC].to_bench == SHED
    np.testing.assert_allclose(model.alignments[ATTIC].offset_db, seen.benches[0].offset_db, atol=1e-5)


def test_learning_again_from_aligned_sessions_says_the_same(base, after):
    before, again = base.learn(), after.learn()
    assert repr(again.parts) == repr(before.parts)
    np.testing.assert_array_equal(again.benches[0].offset_db, before.benches[0].offset_db)
    assert again.counts
    assert after.adopt().version == 1  # nothing new, so no new version


def test_an_aligned_bench_gives_other_values_and_the_reference_the_same(base, after):
    was, now = sessions_of(base, TREBLE), sessions_of(after, TREBLE)
    assert {lab for _, lab, *_ in now} == {"shed", "attic"}
    moved = -TILT_DB * (np.log2(GRID_HZ[TREBLE_BAND]).mean() - np.log2(GRID_HZ[band(300.0, 3000.0)]).mean())
    for key, value in now.items():
        if key[1] == "attic":
            assert value - was[key] == pytest.approx(moved, abs=0.15)
        else:
            assert value == was[key]


def test_intervals_are_as_wide_as_the_repeats_say(base, after):
    was, now = (np.array(list(sessions_of(b, "nbd_on_axis_db", "se").values())) for b in (base, after))
    assert np.median(now / was) > 1.1  # 0.3 dB a curve was drawn, 0.15 is the default
    was, now = (np.array(list(sessions_of(b, TREBLE, "se").values())) for b in (base, after))
    assert np.median(now / was) < 0.95  # no drift was drawn, 0.1 is the default


def test_forgetting_brings_back_the_values_under_a_version_of_its_own(base, after):
    assert after.forget() == 2
    assert error_models.current(after.store).factor == dict.fromkeys(
        ("repeatability", "session", "level", "sample"), 1.0
    )
    assert error_models.current(after.store).alignments == {}
    after.derive()
    assert sessions_of(after, TREBLE) == sessions_of(base, TREBLE)
    assert after.forget() == 2  # nothing to forget
    assert after.adopt().version == 3  # numbers are never used again


def test_sessions_without_intervals_are_aligned_with_the_others(base, tmp_path):
    write_fleet(tmp_path / "in")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as fresh:
        fresh.ingest(tmp_path / "in")
        fresh.adopt()
        fresh.derive()
        was, now = sessions_of(base, TREBLE), sessions_of(fresh, TREBLE)
    assert all((now[key] != was[key]) == (key[1] == "attic") for key in now)


def test_a_session_that_comes_later_is_aligned_as_it_comes(after, tmp_path):
    write(tmp_path / "in", 0, "attic", repeat=2)
    after.ingest(tmp_path / "in")
    values = {key: v for key, v in sessions_of(after, TREBLE).items() if key[:2] == (0, "attic")}
    one, other = values.values()
    assert one == pytest.approx(other, abs=0.3)
    assert after.learn().benches[0].n == 6


def test_a_size_of_ones_own_stands_before_what_was_learned(base):
    base.adopt()
    model = error_models.current(base.store)
    own = info(uncertainty={"repeatability": 0.05})
    noisy = info(uncertainty={"noise": 0.9})
    assert model.sd(own, "repeatability") == pytest.approx(0.05)
    assert model.sd(info(), "repeatability") == pytest.approx(0.15 * model.factor["repeatability"])
    assert model.sd(noisy, "repeatability") == pytest.approx(0.9)  # the floor


def teach(tmp_path, **more):
    write_fleet(tmp_path / "in", **more)
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(tmp_path / "in")} == {"stored"}
        return base.learn()


@pytest.mark.parametrize(
    "poor",
    [
        {"front": [f for f in FRONT if f[0] == "horizontal"]},
        {"every": 8},  # three points an octave
        {"valid_from_hz": 250.0, "gate_ms": 5.0},
        {"smoothing_oct": 1 / 3},
        {"sample": "1"},
    ],
    ids=["horizontal only", "third-octave", "gated", "smoothed", "a serial of one sign"],
)
def test_poor_sessions_teach_nothing(tmp_path, poor):
    found = teach(tmp_path, **poor)
    assert all(s.n == 0 for s in found.parts)
    assert found.benches == ()
    assert not found.adoptable


def test_poor_sessions_beside_good_ones_change_nothing(base, tmp_path):
    before = base.learn()
    for i in range(6):
        write(tmp_path / "in", i, date="2026-04-01", front=FRONT[:7])
        write(tmp_path / "in", i, date="2026-05-01", every=8)
    assert {r.result for r in base.ingest(tmp_path / "in")} == {"stored"}
    after = base.learn()
    assert repr(after.parts) == repr(before.parts)
    np.testing.assert_array_equal(after.benches[0].offset_db, before.benches[0].offset_db)


@pytest.mark.parametrize("said", ["repeatability = 0.3", "noise = 0.3"])
def test_sessions_that_give_their_own_size_of_an_error_do_not_teach_it(tmp_path, said):
    found = teach(tmp_path, more=f"\n[uncertainty]\n{said}\n")
    assert by_part(found)["repeatability"].n == 0
    assert found.benches[0].n == 6


def test_noise_below_the_usual_repeat_is_no_size_of_its_own(tmp_path):
    found = teach(tmp_path, more="\n[uncertainty]\nnoise = 0.02\n")
    assert by_part(found)["repeatability"].n == 6


def test_a_withdrawn_session_teaches_no_more(base):
    rows = base.show("sill-0").rows.filter(pl.col("session").is_not_null() & (pl.col("lab") == "attic"))
    base.withdraw(rows["session"][0], "the grille was on")
    found = base.learn()
    assert found.benches[0].n == 5
    assert by_part(found)["repeatability"].n == 6


def test_with_nothing_measured_twice_nothing_is_adopted(tmp_path):
    write(tmp_path / "in", 1)
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        assert base.adopt().version == 0
        assert error_models.current(base.store).version == 0
        assert base.forget() == 0
        assert adopting.news(base.store) is None


def test_news_are_told_once(base, tmp_path):
    told = adopting.news(base.store)
    assert told.startswith(
        "New to learn of errors: repeat of a curve, session, level of a run, benches. `speakerdb derive --learn`"
    )
    base.adopt()
    assert adopting.news(base.store) is None
    write(tmp_path / "in", 0, repeat=3)
    base.ingest(tmp_path / "in")
    assert adopting.news(base.store).startswith(
        "New to learn of errors: repeat of a curve, session, level of a run, benches."
    )
    assert base.adopt().version == 2
    assert adopting.news(base.store) is None


def test_what_was_forgotten_is_no_news(base):
    base.adopt()
    base.forget()
    assert adopting.news(base.store) is None


def test_what_was_adopted_is_told_in_sentences(base):
    sizes, bench = learned_words.told(base.adopt())
    assert "repeat of a curve 0.2" in sizes
    assert "(default 0.15; 6 speakers)" in sizes
    assert "attic (anechoic, c) is brought in line with shed (near-field-scan, c) by 6 specimens" in bench


def test_alignment_moves_all_levels_of_its_bench_and_nothing_else():
    offset = np.linspace(-1.0, 1.0, 199).astype(np.float32)
    level = np.full((2, 199), 80.0, np.float32)
    attic = GridSession(
        info(lab="attic", method="anechoic", calibration="c"),
        np.array([True, True]),
        np.array([0.0, 10.0]),
        level,
        24.0,
        level[0],
        GridSweeps(np.array([80.0]), ("thd",), level[:1] - 120.0),
        GridSweeps(np.array([80.0, 90.0]), ("", ""), level),
        level[0],
    )
    shed = dataclasses.replace(attic, info=info(lab="shed"))
    model = ErrorModel(1, {}, {ATTIC: Alignment(bench_key("shed", "anechoic", None), offset, 0.02, 6)})
    moved, same = error_models.aligned([attic, shed], model)
    assert same is shed
    np.testing.assert_allclose(moved.level_db - attic.level_db, [offset, offset], atol=1e-5)
    np.testing.assert_allclose(moved.sphere_power_db - attic.sphere_power_db, offset, atol=1e-5)
    np.testing.assert_allclose(moved.compression.level_db - attic.compression.level_db, [offset, offset], atol=1e-5)
    drive = offset[band(300.0, 3000.0)].mean()
    np.testing.assert_allclose(moved.compression.drive_db, np.array([80.0, 90.0]) + drive, atol=1e-5)
    np.testing.assert_allclose(moved.distortion.drive_db, [80.0 + drive], atol=1e-5)
    np.testing.assert_array_equal(moved.distortion.level_db, attic.distortion.level_db)  # re the fundamental
    np.testing.assert_array_equal(moved.impedance_ohm, attic.impedance_ohm)
