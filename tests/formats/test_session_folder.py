"""A session folder gives the same session in whatever form its tables stand."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, read_session, read_sources, slugify
from tests.formats import sessions

FRAME = sessions.response_frame(seed=3)


def read_frame(folder: Path, frame: pl.DataFrame, form: str = "csv", **changes: object):
    sessions.write_keys(folder, **changes)
    if form == "csv":
        frame.write_csv(folder / "responses.csv")
    elif form == "csv.gz":
        (folder / "responses.csv.gz").write_bytes(gzip.compress(frame.write_csv().encode()))
    else:
        frame.write_parquet(folder / "responses.parquet")
    return read_session(folder)


def curve(session, orbit: str, angle: float) -> tuple[np.ndarray, np.ndarray]:
    for block in session.blocks:
        for horizontal, at, level in zip(block.horizontal, block.angle_deg, block.level_db, strict=True):
            if horizontal == (orbit == "horizontal") and at == angle:
                return block.frequency_hz, level
    raise KeyError((orbit, angle))


def test_levels_arrive_at_their_orbit_angle_and_frequency(tmp_path):
    session = read_frame(tmp_path / "s", FRAME)
    for orbit in sessions.ORBITS:
        for angle in (-170.0, 0.0, 40.0, 180.0):
            frequency, level = curve(session, orbit, angle)
            rows = FRAME.filter((pl.col("orbit") == orbit) & (pl.col("angle_deg") == angle))
            np.testing.assert_array_equal(frequency, rows["frequency_hz"])
            np.testing.assert_array_equal(level, rows["level_db"])


def test_a_shared_axis_makes_one_block(tmp_path):
    (block,) = read_frame(tmp_path / "s", FRAME).blocks
    assert block.level_db.shape == (72, len(sessions.FREQUENCY_HZ))
    assert (np.diff(block.frequency_hz) > 0).all()


@pytest.mark.parametrize("form", ["csv.gz", "parquet"])
def test_packing_makes_no_difference(tmp_path, form):
    assert content_hash(read_frame(tmp_path / "a", FRAME)) == content_hash(read_frame(tmp_path / "b", FRAME, form))


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_order_of_rows_and_columns_makes_no_difference(tmp_path, form):
    shuffled = FRAME.sample(fraction=1.0, shuffle=True, seed=5).select("level_db", "angle_deg", "orbit", "frequency_hz")
    assert content_hash(read_frame(tmp_path / "a", FRAME)) == content_hash(read_frame(tmp_path / "b", shuffled, form))


def test_float32_parquet_holds_the_same_curves(tmp_path):
    narrow = FRAME.with_columns(pl.col("level_db", "frequency_hz", "angle_deg").cast(pl.Float32))
    assert content_hash(read_frame(tmp_path / "a", FRAME)) == content_hash(
        read_frame(tmp_path / "b", narrow, "parquet")
    )


def test_an_empty_cell_is_a_point_that_was_not_measured(tmp_path):
    hole = (pl.col("angle_deg") == 30) & (pl.col("frequency_hz") > 5000)
    emptied = FRAME.with_columns(level_db=pl.when(hole).then(None).otherwise("level_db"))
    a = read_frame(tmp_path / "a", emptied)
    _, level = curve(a, "horizontal", 30.0)
    assert np.isnan(level[sessions.FREQUENCY_HZ > 5000]).all()
    assert np.isfinite(level[sessions.FREQUENCY_HZ <= 5000]).all()
    without = read_frame(tmp_path / "b", FRAME.filter(~hole))
    assert len(without.blocks) == 2  # the shortened curves have an axis of their own
    assert content_hash(a) == content_hash(without)
    words = read_frame(tmp_path / "c", emptied.with_columns(pl.col("level_db").cast(pl.String).fill_null("NaN")))
    assert content_hash(a) == content_hash(words)


def test_a_level_that_moves_by_a_hundredth_changes_the_content(tmp_path):
    moved = FRAME.with_columns(
        level_db=pl.when(pl.int_range(pl.len()) == 1000).then(pl.col("level_db") + 0.01).otherwise("level_db")
    )
    assert content_hash(read_frame(tmp_path / "a", FRAME)) != content_hash(read_frame(tmp_path / "b", moved))


@pytest.mark.parametrize(
    "key",
    [{"level_is": "relative"}, {"valid_from_hz": 40.0}, {"symmetric": True}, {"gate_ms": 5.0}, {"smoothing_oct": 0.25}],
)
def test_what_changes_values_changes_the_content(tmp_path, key):
    assert content_hash(read_frame(tmp_path / "a", FRAME)) != content_hash(read_frame(tmp_path / "b", FRAME, **key))


def test_bands_change_the_content_and_their_order_does_not(tmp_path):
    near, far = "{from_hz = 20, to_hz = 400, method = 'near-field'}", "{from_hz = 400, to_hz = 20000, method = 'gated'}"
    longer = [f"gate_ms = {ms}\nbands = [{near}, {far}]\n" for ms in (4, 5)]
    hashes = {}
    for name, more in {
        "none": "",
        "a": longer[0],
        "b": longer[1],
        "c": f"gate_ms = 4\nbands = [{far}, {near}]\n",
    }.items():
        folder = sessions.write_plain(tmp_path / name, FRAME)
        (folder / "session.toml").write_text((folder / "session.toml").read_text() + more)
        hashes[name] = content_hash(read_session(folder))
    assert hashes["a"] == hashes["c"]
    assert len(set(hashes.values())) == 3


@pytest.mark.parametrize(
    "key", [{"notes": "rain"}, {"mass_kg": 4.0}, {"year": 2020}, {"model": "Sill 6"}, {"setting": "warm"}]
)
def test_facts_and_names_are_no_content(tmp_path, key):
    assert content_hash(read_frame(tmp_path / "a", FRAME)) == content_hash(read_frame(tmp_path / "b", FRAME, **key))


def test_minus_180_closes_the_circle(tmp_path):
    closing = FRAME.filter(pl.col("angle_deg") == 180).with_columns(angle_deg=pl.lit(-180.0))
    session = read_frame(tmp_path / "a", pl.concat([FRAME, closing]))
    assert content_hash(session) == content_hash(read_frame(tmp_path / "b", FRAME))
    assert any("-180" in w for w in session.warnings)
    alone = FRAME.with_columns(angle_deg=pl.when(pl.col("angle_deg") == 180).then(-180.0).otherwise("angle_deg"))
    assert content_hash(read_frame(tmp_path / "c", alone)) == content_hash(read_frame(tmp_path / "d", FRAME))


def test_distortion_in_percent_is_level_re_the_fundamental(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "distortion.csv").write_text(
        "drive_db,frequency_hz,component,percent\n90,100,thd,10\n90,200,thd,1\n90,400,thd,100\n"
    )
    (sweep,) = read_session(folder).distortion
    assert (sweep.drive_db, sweep.component) == (90.0, "thd")
    np.testing.assert_allclose(sweep.level_db, [-20.0, -40.0, 0.0], atol=1e-12)


def test_the_other_tables_arrive_by_drive_and_component(tmp_path):
    session = read_session(sessions.write_plain(tmp_path / "s", FRAME, whole=True))
    assert {(s.component, s.drive_db) for s in session.distortion} == {
        (c, d) for c in ("thd", "h2", "h3") for d in (80.0, 86.0, 92.0)
    }
    assert [s.drive_db for s in session.compression] == [80.0, 86.0, 92.0]
    assert all(s.component is None for s in session.compression)
    assert session.impedance is not None
    np.testing.assert_array_equal(session.impedance.magnitude_ohm, sessions.impedance_frame()["magnitude_ohm"])
    np.testing.assert_array_equal(session.impedance.phase_deg, sessions.impedance_frame()["phase_deg"])


def test_order_of_rows_makes_no_difference_in_any_table(tmp_path):
    plain = sessions.write_plain(tmp_path / "a", FRAME, whole=True)
    mixed = sessions.write_plain(tmp_path / "b", FRAME, whole=True)
    for name in ("distortion", "compression", "impedance"):
        path = mixed / f"{name}.csv"
        pl.read_csv(path).sample(fraction=1.0, shuffle=True, seed=1).write_csv(path)
    assert content_hash(read_session(plain)) == content_hash(read_session(mixed))


def test_the_files_are_kept_as_they_came_and_suffice_to_read_the_session_again(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME, whole=True, mass_kg=4.5)
    (tmp_path / "folder.toml").write_text('lab = "shed"\nlayout = "two-way"\n')
    session = read_session(folder, tmp_path)
    kept = {s.name: s.content for s in session.sources}
    assert kept.keys() == {
        "session.toml",
        "../folder.toml",
        "responses.csv",
        "distortion.csv",
        "compression.csv",
        "impedance.csv",
    }
    assert all(content == (folder / name).read_bytes() for name, content in kept.items())
    again = read_sources("kept", session.sources)
    assert again.info == session.info
    assert again.info.layout == "two-way"
    assert content_hash(again) == content_hash(session)


@pytest.mark.parametrize(
    ("maker", "model", "slug"),
    [
        ("Alder Fen", "Sill 5", "alder-fen-sill-5"),
        ("ALDER  FEN", "Sill-5", "alder-fen-sill-5"),
        ("Börk & Zöe", "Æ 3+", "bork-and-zoe-3plus"),
        ("榛の木", "五", ""),
        ("榛の木", "5", ""),
    ],
)
def test_a_speaker_has_a_short_name(maker, model, slug):
    assert slugify(maker, model) == slug


def test_names_without_latin_letters_need_a_slug(tmp_path):
    with pytest.raises(DataError) as caught:
        read_frame(tmp_path / "a", FRAME, maker="榛の木", model="五")
    assert [i.key for i in caught.value.items] == ["slug"]
    assert read_frame(tmp_path / "b", FRAME, maker="榛の木", model="五", slug="hannoki-5").info.slug == "hannoki-5"
