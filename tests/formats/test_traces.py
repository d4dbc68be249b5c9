"""Responses as text traces, one curve a file."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, read_session
from tests.formats import sessions

ANGLES = sessions.ANGLES[1::6]
FRAME = sessions.response_frame(seed=8, angles=ANGLES)
POINTS = [(100.0, 80.5), (200.0, 81.25), (400.0, 79.0)]


def write_traces(folder: Path, name: str, line: str = "{f} {y}", frame: pl.DataFrame = FRAME) -> None:
    for (orbit, angle), rows in frame.group_by("orbit", "angle_deg"):
        path = folder / name.format(orbit=orbit, o=str(orbit)[0].upper(), angle=int(angle))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(
            "\n".join(
                line.format(f=f, y=y)
                for f, y in rows.sort("frequency_hz").select("frequency_hz", "level_db").iter_rows()
            )
        )


def plain_hash(tmp_path: Path) -> str:
    return content_hash(read_session(sessions.write_plain(tmp_path / "plain", FRAME)))


@pytest.mark.parametrize(
    "name",
    [
        "responses/{orbit}_{angle}.txt",
        "responses/{o}{angle}.frd",
        "responses/{o} {angle}.txt",
        "responses/{o}_{angle}deg.txt",
    ],
)
def test_usual_names_in_a_folder_called_responses_need_no_pattern(tmp_path, name):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, name)
    assert content_hash(read_session(folder)) == plain_hash(tmp_path)


@pytest.mark.parametrize(
    ("name", "traces"),
    [
        ("{o}_{angle}deg.txt", 'pattern = "{orbit}_{angle}deg.txt"'),
        ("polar/{orbit} at {angle} in room.txt", 'pattern = "polar/{orbit} at {angle}*"'),
        ("{orbit}/{angle}.txt", 'pattern = "{orbit}/{angle}.txt"'),
        ("waag {angle} {orbit}.txt", 'pattern = "waag {angle} {orbit}.txt"'),
    ],
)
def test_names_by_a_pattern(tmp_path, name, traces):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, name)
    (folder / "folder.toml").write_text(f"[traces]\n{traces}\n")
    assert content_hash(read_session(folder)) == plain_hash(tmp_path)


def test_own_words_for_the_orbits(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(
        folder,
        "{orbit}_{angle}.txt",
        frame=FRAME.with_columns(pl.col("orbit").replace({"horizontal": "WAAGERECHT", "vertical": "senkrecht"})),
    )
    (folder / "folder.toml").write_text(
        '[traces]\npattern = "{orbit}_{angle}.txt"\norbit_words = {horizontal = ["waagerecht"], vertical = '
        '["senkrecht"]}\n'
    )
    assert content_hash(read_session(folder)) == plain_hash(tmp_path)


def test_angles_to_360_clockwise_and_downward(tmp_path):
    turned = FRAME.with_columns(angle_deg=(-pl.col("angle_deg")) % 360.0)
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, "{o}{angle}.txt", frame=turned)
    (folder / "folder.toml").write_text(
        '[traces]\npattern = "{orbit}{angle}.txt"\nangle_range = "0-360"\nangle_sense = '
        '"clockwise"\nvertical_positive = "down"\n'
    )
    assert content_hash(read_session(folder)) == plain_hash(tmp_path)


@pytest.mark.parametrize(
    "text",
    [
        "100 80.5\n200 81.25\n400 79\n",
        "100\t80.5\t-170\n200\t81.25\t12\n400\t79\t3e1\n",
        "100,80.5\n200,81.25\n400,79\n",
        "100, 80.5\n200, 81.25\n400, 79\n",
        "100;80.5\n200;81.25\n400;79\n",
        "100;80,5\n200;81,25\n400;79\n",
        "100 80,5\n200 81,25\n400 79\n",
        "100,0 80,5 12,5\n200,0 81,25 13\n400,0 79,0 14\n",
        "* exported 1.3.2026\n* f in Hz, L in dB\n100 80.5\n# break\n200 81.25\n\n400 79\n* end\n",
        "Frequency SPL Phase\nHz dB deg\n100 80.5 1\n200 81.25 2\n400 79 3\n",
        "2 channels\n1/12 octave\n100 80.5\n200 81.25\n400 79\n",
        "\ufeff100 80.5\r\n200 81.25\r\n400 79\r\n",
        "  100   8.05e1\n  200   81.25  \n  400   7.9E+01",
        "400 79\n100 80.5\n200 81.25\n",
    ],
)
def test_lines_of_numbers_however_they_are_set_apart(tmp_path, text):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "responses").mkdir()
    (folder / "responses" / "h_0.txt").write_text(text, encoding="utf-8", newline="")
    (block,) = read_session(folder).blocks
    assert list(zip(block.frequency_hz, block.level_db[0], strict=True)) == POINTS


def test_utf_16_and_a_degree_sign_in_latin_1(tmp_path):
    for encoding in ("utf-16", "utf-16-le", "latin-1"):
        folder = sessions.write_keys(tmp_path / encoding)
        (folder / "responses").mkdir()
        (folder / "responses" / "h_0.txt").write_text("* 20 °C\n100 80.5\n200 81.25\n400 79\n", encoding=encoding)
        (block,) = read_session(folder).blocks
        assert list(zip(block.frequency_hz, block.level_db[0], strict=True)) == POINTS


def test_kilohertz_and_linear_magnitude(tmp_path):
    folder = sessions.write_keys(tmp_path / "s", level_is="relative")
    (folder / "h_0.txt").write_text("0.1 10\n0.2 1\n0.4 0\n")
    (folder / "folder.toml").write_text(
        '[traces]\npattern = "{orbit}_{angle}.txt"\nfrequency_unit = "kHz"\nlevel_unit = "linear"\n'
    )
    session = read_session(folder)
    (block,) = session.blocks
    assert block.frequency_hz.tolist() == [100.0, 200.0, 400.0]
    assert block.level_db[0, :2].tolist() == [20.0, 0.0]
    assert block.level_db[0, 2] != block.level_db[0, 2]
    assert any("0 count as not measured" in w for w in session.warnings)


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("100 80\n200 8x\n", 2, "'200 8x'"),
        ("100 80\n200\n300 80\n", 2, "'200'"),
        ("100 80\nend of data\n", 2, "'end of data'"),
        ("100 80\n200 1_0\n", 2, "'200 1_0'"),
        ("100 80\n0 80\n", 2, "0"),
        ("100 80\n100 81\n", 2, "a second time"),
        ("nothing here\n", None, "no line of numbers"),
        ("", None, "no line of numbers"),
    ],
)
def test_a_bad_line_is_named(tmp_path, text, line, found):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "responses").mkdir()
    (folder / "responses" / "h_0.txt").write_text(text)
    with pytest.raises(DataError) as caught:
        read_session(folder)
    (item,) = caught.value.items
    assert (item.file, item.line) == ("responses/h_0.txt", line)
    assert found in item.found


def test_names_that_do_not_fit_are_told_with_what_is_there(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, "responses/trace{angle}.txt", frame=FRAME.filter(pl.col("orbit") == "horizontal"))
    with pytest.raises(DataError) as caught:
        read_session(folder)
    (item,) = caught.value.items
    assert "responses/trace" in item.found
    assert "pattern" in item.expected


def test_a_pattern_without_orbit_or_angle_needs_them_fixed(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "axis.txt").write_text("100 80.5\n200 81.25\n400 79\n")
    (folder / "folder.toml").write_text('[traces]\npattern = "axis.txt"\n')
    with pytest.raises(DataError) as caught:
        read_session(folder)
    assert "fixed" in caught.value.items[0].expected
    (folder / "folder.toml").write_text(
        '[traces]\npattern = "axis.txt"\nfixed = {orbit = "horizontal", angle_deg = 0}\n'
    )
    (block,) = read_session(folder).blocks
    assert (block.horizontal[0], block.angle_deg[0]) == (True, 0.0)


@pytest.mark.parametrize("pattern", ["{orbit}_{winkel}.txt", "{angle}{angle}.txt"])
def test_a_bad_pattern_is_a_wrong_key(tmp_path, pattern):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "folder.toml").write_text(f'[traces]\npattern = "{pattern}"\n')
    with pytest.raises(DataError) as caught:
        read_session(folder)
    assert caught.value.items[0].key == "traces.pattern"
    assert caught.value.items[0].line == 2


def test_responses_in_two_forms_are_refused(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    write_traces(folder, "responses/{o}{angle}.txt")
    with pytest.raises(DataError) as caught:
        read_session(folder)
    assert "twice" in caught.value.items[0].found


def test_packed_traces(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, "{orbit}_{angle}.txt")
    for path in folder.glob("*.txt"):
        path.with_name(path.name + ".gz").write_bytes(gzip.compress(path.read_bytes()))
        path.unlink()
    (folder / "folder.toml").write_text('[traces]\npattern = "{orbit}_{angle}.txt.gz"\n')
    assert content_hash(read_session(folder)) == plain_hash(tmp_path)


def test_azimuth_and_elevation_in_the_names(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    for (orbit, angle), rows in FRAME.group_by("orbit", "angle_deg"):
        azimuth, elevation = (int(angle), 0) if orbit == "horizontal" else (0, int(angle))
        if abs(elevation) > 90:  # over the top: from behind
            azimuth, elevation = 180, int(np.sign(elevation)) * (180 - abs(elevation))
        lines = rows.sort("frequency_hz").select("frequency_hz", "level_db").iter_rows()
        (folder / f"az{azimuth}_el{elevation}.txt").write_text("\n".join(f"{f} {y}" for f, y in lines))
    (folder / "folder.toml").write_text('[traces]\npattern = "az{azimuth}_el{elevation}.txt"\n')
    found = {
        (bool(h), float(a)) for b in read_session(folder).blocks for h, a in zip(b.horizontal, b.angle_deg, strict=True)
    }
    plain = read_session(sessions.write_plain(tmp_path / "plain", FRAME))
    wanted = {(bool(h), float(a)) for b in plain.blocks for h, a in zip(b.horizontal, b.angle_deg, strict=True)}
    assert found == {w for w in wanted if w != (False, 0.0)} | ({(True, 0.0)} if (True, 0.0) in wanted else set())
