"""AES69 (SOFA) files, convention FreeFieldDirectivityTF, in and out."""

from __future__ import annotations

import shutil
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.errors import DataError
from speakerdb.formats import content_hash, read_session, session_toml, write_sofa
from speakerdb.session import GridSession, Session
from tests.formats import sessions

MONITOR = Path(__file__).parent.parent / "data" / "studio_monitor.sofa"
FRAME = sessions.response_frame(seed=6)


def read_with(folder: Path, **changes: object) -> Session:
    sessions.write_keys(folder, **changes)
    shutil.copy(MONITOR, folder / "responses.sofa")
    return read_session(folder)


def curves(session: Session) -> dict[tuple[bool, float], tuple[np.ndarray, np.ndarray]]:
    return {
        (bool(h), float(a)): (b.frequency_hz, y)
        for b in session.blocks
        for h, a, y in zip(b.horizontal, b.angle_deg, b.level_db, strict=True)
    }


def write_raw(path: Path, position: np.ndarray, pressure: np.ndarray, frequency: np.ndarray, **more: object) -> None:
    """A SOFA file by the library itself, without this project's writer."""
    import sofar

    data = sofar.Sofa("FreeFieldDirectivityTF")
    data.Data_Real, data.Data_Imag = pressure.real, pressure.imag
    data.N = frequency
    data.ReceiverPosition = position
    data.ReceiverPosition_Type = more.pop("kind", "spherical")
    data.ReceiverPosition_Units = "metre" if data.ReceiverPosition_Type == "cartesian" else "degree, degree, metre"
    for name, value in more.items():
        setattr(data, name, value)
    for name in ("EmitterDescriptions", "Description"):
        data.delete(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofar.write_sofa(str(path), data)


def test_the_measured_monitor_gives_both_orbits_and_the_sphere(tmp_path):
    session = read_with(tmp_path / "s", level_is="relative")
    found = curves(session)
    assert {a for h, a in found if h} == {a for h, a in found if not h} == set(range(-170, 181, 10))
    assert session.sphere is not None
    assert session.sphere.level_db.shape == (614, 31)
    frequency, on_axis = found[True, 0.0]
    assert np.isnan(on_axis[np.abs(frequency - 25) < 1]).all()  # the missing 25 Hz band (tests/data/README.md)
    at_1khz = int(np.argmin(np.abs(frequency - 1000)))
    assert abs(on_axis[at_1khz]) < 1.0  # equalised on the axis (tests/data/README.md)
    assert found[True, 180.0][1][at_1khz] < -3  # a box with a driver in front is quieter behind


def test_levels_of_the_monitor_are_those_of_its_file(tmp_path):
    import sofar

    data = sofar.read_sofa(str(MONITOR), verify=True, verbose=False)
    azimuth, elevation, _ = data.ReceiverPosition.T
    found = curves(read_with(tmp_path / "s", level_is="relative"))
    for (horizontal, angle), place in {
        (True, 30.0): (30.0, 0.0),
        (True, -30.0): (330.0, 0.0),
        (False, 40.0): (0.0, 40.0),
        (False, -40.0): (0.0, -40.0),
        (False, 130.0): (180.0, 50.0),
        (False, -130.0): (180.0, -50.0),
    }.items():
        (row,) = np.flatnonzero(np.isclose(azimuth, place[0]) & np.isclose(elevation, place[1]))
        magnitude = np.hypot(data.Data_Real[0, row], data.Data_Imag[0, row])
        np.testing.assert_allclose(found[horizontal, angle][1], 20 * np.log10(magnitude), atol=1e-9)


def test_what_the_levels_mean_is_asked_for_where_it_is_not_said(tmp_path):
    assert any("level_is" in w for w in read_with(tmp_path / "a").warnings)
    assert read_with(tmp_path / "b", level_is="relative").warnings == ()


def test_out_and_in_again_is_the_same_content(tmp_path):
    import sofar

    for name, session in {
        "monitor": read_with(tmp_path / "m", level_is="relative", smoothing_oct="1/3"),
        "plain": read_session(sessions.write_plain(tmp_path / "p", FRAME)),
        "far": read_session(sessions.write_plain(tmp_path / "f", FRAME, level_is="spl_at_distance", distance_m=2.0)),
        "one orbit": read_session(sessions.write_plain(tmp_path / "o", FRAME[: len(FRAME) // 2])),
        "two axes": read_session(
            sessions.write_plain(tmp_path / "t", FRAME[: len(FRAME) // 3].vstack(FRAME[-3000::2]))
        ),
        "no axis above": read_session(sessions.write_plain(tmp_path / "v", FRAME[: len(FRAME) // 2 + 1000])),
    }.items():
        folder = tmp_path / f"{name} again"
        folder.mkdir()
        write_sofa(session, folder / "responses.sofa")
        (folder / "session.toml").write_text(session_toml(session))
        sofar.read_sofa(str(folder / "responses.sofa"), verify=True, verbose=False)
        again = read_session(folder)
        assert again.info == session.info
        assert content_hash(again) == content_hash(session), name


def test_a_session_on_the_grid_goes_out_and_comes_in_with_its_levels(tmp_path):
    random = np.random.default_rng(2)
    info = replace(read_session(sessions.write_plain(tmp_path / "p", FRAME)).info, slug="alder-fen-sill-5")
    angles = np.arange(-170.0, 181.0, 10.0)
    fall = 8.0 * (1.0 - np.cos(np.radians(np.tile(angles, 2))))
    level = np.round(random.normal(85, 1, (72, 199)) - fall[:, None], 2).astype(np.float32)
    level[:, :5] = np.nan
    grid = GridSession(info, np.repeat([True, False], 36), np.tile(angles, 2), level, resolution_per_octave=24.0)
    folder = tmp_path / "again"
    folder.mkdir()
    write_sofa(grid, folder / "responses.sofa")
    (folder / "session.toml").write_text(session_toml(grid))
    (block,) = read_session(folder).blocks
    np.testing.assert_allclose(block.level_db, level.astype(float), atol=1e-6)
    # f_j = 100·2^(j/20), j from -46 (method:metrics#the-analysis-grid)
    np.testing.assert_allclose(block.frequency_hz[46], 100.0)
    np.testing.assert_array_equal(block.angle_deg, grid.angle_deg)


def test_levels_of_a_far_microphone_go_out_referred_to_1_m_once(tmp_path):
    """The grid refers levels to 1 m (derive); its file says so, lest a reader do it again."""
    folder = sessions.write_plain(tmp_path / "p", FRAME, level_is="spl_at_distance", distance_m=2.0)
    grid = derive.to_grid(read_session(folder))
    again = sofa_again(tmp_path / "again", grid)
    assert again.info.level_is == "spl_1m"
    np.testing.assert_array_equal(derive.to_grid(again).level_db, grid.level_db)


def sofa_again(folder: Path, session: Session | GridSession) -> Session:
    folder.mkdir()
    write_sofa(session, folder / "responses.sofa")
    (folder / "session.toml").write_text(session_toml(session))
    return read_session(folder)


def test_metrics_are_the_same_after_out_and_in(tmp_path):
    monitor = read_with(tmp_path / "m", level_is="relative")
    plain = read_session(sessions.write_plain(tmp_path / "p", FRAME))
    for name, session in {
        "monitor": monitor,
        "plain": plain,
        "grid": derive.to_grid(plain),
        "coarse": derive.to_grid(monitor),
    }.items():
        grid = session if isinstance(session, GridSession) else derive.to_grid(session)
        again = derive.to_grid(sofa_again(tmp_path / name, session))
        before, after = derive.derive([grid]).values, derive.derive([again]).values
        assert before.metrics == after.metrics
        if name == "coarse":  # a grid holds the power over the sphere, not the sphere: that metric is lost
            before.value[:, before.metrics.index("di_sphere_mean_db")] = np.nan
            before.reason[0, "di_sphere_mean_db"] = ""
        np.testing.assert_array_equal(before.value, after.value, err_msg=name)
        np.testing.assert_array_equal(before.censored, after.censored, err_msg=name)
        assert before.reason.keys() == after.reason.keys()


def test_coarse_data_stay_coarse_when_their_grid_goes_out(tmp_path):
    info = read_session(sessions.write_plain(tmp_path / "p", FRAME)).info
    coarse = GridSession(info, np.array([True]), np.zeros(1), np.zeros((1, 199), np.float32), resolution_per_octave=3.0)
    assert f"smoothing_oct = {1 / 3}" in session_toml(coarse)
    assert "smoothing_oct" not in session_toml(replace(coarse, resolution_per_octave=12.0))


def test_a_file_that_is_there_is_not_overwritten(tmp_path):
    session = read_session(sessions.write_plain(tmp_path / "p", FRAME))
    (tmp_path / "a.sofa").write_text("mine")
    for path in (tmp_path / "a.sofa", tmp_path / "nowhere" / "b.sofa"):
        with pytest.raises(DataError):
            write_sofa(session, path)
    assert (tmp_path / "a.sofa").read_text() == "mine"


FREQUENCY = np.array([100.0, 1000.0, 10000.0])
RING = np.array([(a % 360.0, 0.0, 2.0) for a in range(0, 360, 30)] + [(0.0, 90.0, 2.0), (0.0, -90.0, 2.0)])


def ring_pressure(complex_parts: bool = False) -> np.ndarray:
    """1 Pa less 1 dB per direction, falling 0.1 dB per frequency."""
    level = 94.0 - np.arange(len(RING))[:, None] - 0.1 * np.arange(3)
    return 20e-6 * 10 ** (level / 20) * (np.exp(1j * np.pi / 3) if complex_parts else 1.0) + 0j


@pytest.mark.parametrize("complex_parts", [False, True])
def test_pascals_become_sound_pressure_levels_of_their_magnitude(tmp_path, complex_parts):
    folder = sessions.write_keys(tmp_path / "s", level_is="spl_1m")
    write_raw(folder / "responses.sofa", RING, ring_pressure(complex_parts)[None], FREQUENCY)
    found = curves(read_session(folder))
    np.testing.assert_allclose(found[True, 30.0][1], [93.0, 92.9, 92.8])
    np.testing.assert_allclose(found[True, -30.0][1], [83.0, 82.9, 82.8])
    np.testing.assert_allclose(found[False, 90.0][1], [82.0, 81.9, 81.8])
    np.testing.assert_array_equal(found[False, 0.0][1], found[True, 0.0][1])


def test_directions_count_from_the_sources_own_axis(tmp_path):
    """A source that looks along y, its top along x: its right-hand side is up, its left down."""
    folder = sessions.write_keys(tmp_path / "s", level_is="spl_1m")
    position = np.array([(0, 2, 0), (2, 0, 0), (0, 0, 2.0), (0, 0, -2)])
    pressure = 20e-6 * 10 ** (np.array([[90.0], [80.0], [70.0], [60.0]]) / 20 + np.zeros(3)) + 0j
    write_raw(
        folder / "responses.sofa",
        position,
        pressure[None],
        FREQUENCY,
        kind="cartesian",
        SourceView=[[0.0, 1.0, 0.0]],
        SourceUp=[[1.0, 0.0, 0.0]],
    )
    found = curves(read_session(folder))
    levels = {k: round(v[1][0], 6) for k, v in found.items()}
    # z_source = x, x_source = y, so y_source = z_source × x_source = x × y = z
    assert levels == {
        (True, 0.0): 90.0,
        (False, 0.0): 90.0,
        (False, 90.0): 80.0,
        (True, 90.0): 70.0,
        (True, -90.0): 60.0,
    }


def test_a_turned_source_before_one_microphone_gives_the_same_curves(tmp_path):
    angles = np.radians(np.arange(0.0, 360.0, 30.0))
    pressure = ring_pressure()[: len(angles), None]
    folder = sessions.write_keys(tmp_path / "s", level_is="spl_1m")
    views = np.stack(
        (np.cos(-angles), np.sin(-angles), np.zeros(len(angles))), axis=1
    )  # turned to the right, the left is measured
    write_raw(
        folder / "responses.sofa",
        np.array([[0.0, 0.0, 2.0]]),
        pressure,
        FREQUENCY,
        SourceView=views,
        SourceUp=np.tile([0.0, 0.0, 1.0], (len(angles), 1)),
    )
    found = curves(read_session(folder))
    np.testing.assert_allclose(found[True, 30.0][1][0], 93.0)
    np.testing.assert_allclose(found[True, -30.0][1][0], 83.0)


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        ({"frequency": np.array([100.0, 0.0, 1000.0])}, "N", "above 0"),
        ({"frequency": np.array([100.0, 100.0, 1000.0])}, "N", "once"),
        ({"pressure": np.full((1, len(RING), 3), np.nan) + 0j}, "Data.Real", "measured"),
        ({"pressure": np.full((1, len(RING), 3), 1e9) + 0j}, "Data.Real", "levels between"),
        ({"pressure": np.full((1, len(RING), 3), 1e-5) + 0j}, "level_is", "relative"),
        ({"position": np.where(np.arange(len(RING))[:, None] == 3, np.nan, RING)}, "ReceiverPosition", "finite"),
        (
            {"position": RING + np.array([15.0, 45.0, 0.0]), "pressure": np.ones((1, len(RING), 3)) + 0j},
            "ReceiverPosition",
            "orbit",
        ),
    ],
)
def test_a_file_that_cannot_be_used_is_told_why(tmp_path, change, key, expected):
    folder = sessions.write_keys(tmp_path / "s")
    what = {"position": RING, "pressure": ring_pressure()[None], "frequency": FREQUENCY} | change
    write_raw(folder / "responses.sofa", what["position"], what["pressure"], what["frequency"])
    with pytest.raises(DataError) as caught:
        read_session(folder)
    (item,) = caught.value.items
    assert (item.file, item.key) == ("responses.sofa", key)
    assert expected in item.expected


def test_another_convention_a_damaged_file_and_none_at_all(tmp_path):
    import sofar

    folder = sessions.write_keys(tmp_path / "s")
    path = folder / "responses.sofa"
    other = sofar.Sofa("SimpleFreeFieldHRIR")
    for name in [n for n in vars(other) if n.endswith("Descriptions")]:
        other.delete(name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sofar.write_sofa(str(path), other)
    contents = [path.read_bytes(), MONITOR.read_bytes()[:9000], b"", b"\x89HDF\r\n\x1a\n" + b"x" * 1000, b"text"]
    for content in contents:
        path.write_bytes(content)
        with pytest.raises(DataError) as caught:
            read_session(folder)
        assert [i.file for i in caught.value.items] == ["responses.sofa"]


def ring_file(folder: Path, scale: float = 1.0, frequency: np.ndarray = FREQUENCY, **more: object) -> Path:
    """A session of one ring whose levels fall with the angle, written by the library itself."""
    angle = np.radians(RING[:, 0]) * (RING[:, 1] == 0)
    level = 80.0 - 6.0 * (1.0 - np.cos(angle))[:, None] - 0.1 * np.arange(len(frequency))
    pressure = scale * 20e-6 * 10 ** (level / 20.0) * np.exp(0.3j)
    sessions.write_keys(folder, **{k: more.pop(k) for k in ("level_is",) if k in more})
    write_raw(folder / "responses.sofa", RING, pressure[None], frequency, **more)
    return folder


def set_units(folder: Path, variable: str, units: str) -> Path:
    """Another program's file, which need not keep to the standard's units."""
    import netCDF4

    with netCDF4.Dataset(str(folder / "responses.sofa"), "a") as data:
        data[variable].Units = units
    return folder


def on_axis(folder: Path) -> tuple[np.ndarray, float]:
    f, y = curves(read_session(folder))[(True, 0.0)]
    return f, float(y[0])


def test_units_of_frequencies_are_read_and_not_assumed(tmp_path):
    set_units(ring_file(tmp_path / "a", frequency=FREQUENCY / 1000.0), "N", "kilohertz")
    f, level = on_axis(tmp_path / "a")
    np.testing.assert_allclose(f, FREQUENCY)
    assert level == pytest.approx(80.0, abs=1e-6)
    for units, found in (("hertz", "highest frequency"), ("octaves", "octaves")):
        with pytest.raises(DataError) as caught:
            read_session(set_units(ring_file(tmp_path / units, frequency=FREQUENCY / 1000.0), "N", units))
        assert found in str(caught.value.items[0])
        assert caught.value.items[0].key == "N.Units"


def test_lengths_in_other_units_do_not_turn_a_direction(tmp_path):
    """A source a little off the origin, its place in metres, the receivers' in centimetres."""
    cartesian = {"SourcePosition": np.array([[0.5, 0.0, 0.0]]), "SourcePosition_Type": "cartesian"}
    ring_file(tmp_path / "a", **cartesian, SourcePosition_Units="metre")
    cartesian["SourcePosition"] = np.array([[50.0, 0.0, 0.0]])
    set_units(ring_file(tmp_path / "b", **cartesian), "SourcePosition", "centimetre")
    a, b = (sorted(curves(read_session(tmp_path / n))) for n in "ab")
    assert a == b
    with pytest.raises(DataError, match="furlong"):
        read_session(set_units(ring_file(tmp_path / "c", **cartesian), "SourcePosition", "furlong"))


def test_normalised_levels_are_asked_about_and_taken_where_they_are_told(tmp_path):
    peak = 1.0 / (20e-6 * 10 ** (80.0 / 20.0))
    with pytest.raises(DataError) as caught:
        read_session(ring_file(tmp_path / "a", scale=peak))
    assert caught.value.asked
    assert "normalised" in str(caught.value.items[0])
    assert 'level_is = "relative"' in str(caught.value.items[0].expected)
    assert on_axis(ring_file(tmp_path / "b", scale=peak, level_is="relative"))[1] == pytest.approx(0.0, abs=1e-6)


def test_decibels_where_pressures_belong_are_refused(tmp_path):
    for name, offset in (("a", 0.0), ("b", -90.0)):
        folder = sessions.write_keys(tmp_path / name, level_is="relative")
        level = 80.0 + offset - 6.0 * (1.0 - np.cos(np.radians(RING[:, 0])))[:, None] + np.zeros(len(FREQUENCY))
        write_raw(folder / "responses.sofa", RING, (level + 0j)[None], FREQUENCY)
        with pytest.raises(DataError, match="decibels"):
            read_session(folder)
