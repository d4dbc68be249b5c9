"""Unknown files: a folder.toml and a sheet to start from, three curves to look at, nothing stored or overwritten."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, find_sessions, propose, read_session, read_sheet
from tests.formats import sessions
from tests.formats.layouts import LAYOUTS, session_keys

BY_NAME = {layout.name: layout for layout in LAYOUTS}
# what no file tells and the user adds: to which side angles grow, what small numbers mean, which number is which column
ADDED = {
    "clockwise": {'angle_sense = "?"': 'angle_sense = "clockwise"'},
    "pascal": {'vertical_positive = "?"': 'vertical_positive = "down"', 'level_unit = "?"': 'level_unit = "Pa"'},
    "parquet": {
        'angle_sense = "?"': 'angle_sense = "clockwise"',
        'vertical_positive = "?"': 'vertical_positive = "down"',
        '["?", "azimuthal", "polar"], vertical = ["?", "azimuthal", "polar"]': '["azimuthal"], vertical = ["polar"]',
    },
    "numbers": {
        'orbit = "?"': 'orbit = 1\norbit_words = {horizontal = ["0"], vertical = ["1"]}',
        'angle_deg = "?"': "angle_deg = 2",
        'frequency_hz = "?"': "frequency_hz = 3",
        'level_db = "?"': "level_db = 4",
    },
}
# the answers to what is asked of every layout, where its own do not come first
ANSWERS = {
    'level_is = "?"': 'level_is = "spl_1m"',
    'angle_sense = "?"': 'angle_sense = "counter-clockwise"',
    'vertical_positive = "?"': 'vertical_positive = "up"',
}
# a proposal looks at the responses; maps of other tables are added by hand
OUTPUT_TABLES = "[columns.distortion]" + BY_NAME["japanese"].folder_toml.partition("[columns.distortion]")[2]


def unknown(root: Path, layout: str, count: int = 2) -> Path:
    for number in range(count):
        folder = root / f"s{number:02d}"
        folder.mkdir(parents=True)
        BY_NAME[layout].write(folder, sessions.response_frame(seed=number))
    return root


@pytest.mark.parametrize("layout", [layout.name for layout in LAYOUTS])
def test_a_proposal_with_its_blanks_filled_in_reads_the_files(tmp_path, layout):
    root = unknown(tmp_path / "old", layout)
    proposal = propose(root)
    assert proposal.folders == ("s00", "s01")
    toml = proposal.folder_toml.read_text(encoding="utf-8")
    for before, after in {
        'lab = "?"': 'lab = "shed"',
        'method = "?"': 'method = "anechoic"',
        **ADDED.get(layout, {}),
    }.items():
        assert before in toml
        toml = toml.replace(before, after)
    for before, after in ANSWERS.items():
        toml = toml.replace(before, after)
    assert '"?"' not in toml.replace('each "?"', "")
    toml += OUTPUT_TABLES if BY_NAME[layout].whole else ""
    proposal.folder_toml.write_text(toml, encoding="utf-8")
    with open(proposal.sheet, newline="", encoding="utf-8") as file:
        heading, *rows = csv.reader(file)
    for number, row in enumerate(rows):
        keys = session_keys(layout, number)
        assert row[0] == f"s{number:02d}"
        row[1:] = [str(keys.get(name, "")) for name in heading[1:]]
    with open(proposal.sheet, "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([heading, *rows])
    sheet = read_sheet(proposal.sheet)
    assert len(find_sessions(root, sheet)) == 2
    for number in range(2):
        session = read_session(root / f"s{number:02d}", root, sheet)
        frame, whole = sessions.response_frame(seed=number), BY_NAME[layout].whole
        plain = sessions.write_plain(tmp_path / f"plain{number}", frame, whole=whole)
        assert content_hash(session) == content_hash(read_session(plain))


@pytest.mark.parametrize("layout", [layout.name for layout in LAYOUTS if layout.name not in {"numbers", "pascal"}])
def test_three_curves_are_shown_as_they_would_be_read(tmp_path, layout):
    proposal = propose(unknown(tmp_path / "old", layout))
    assert len(proposal.curves) == 3
    axis = proposal.curves[0]
    assert (axis.folder, axis.orbit, axis.angle_deg) == ("s00", "horizontal", 0.0)
    truth = sessions.response_frame(seed=0)[sessions.ANGLES.tolist().index(0) * len(sessions.FREQUENCY_HZ) :]
    np.testing.assert_allclose(axis.frequency_hz, sessions.FREQUENCY_HZ)
    np.testing.assert_allclose(axis.level_db, truth["level_db"][: len(sessions.FREQUENCY_HZ)], atol=1e-6)


def test_the_blanks_refuse_an_ingest_until_they_are_filled_in(tmp_path):
    root = unknown(tmp_path / "old", "utf16")
    proposal = propose(root)
    asked = {"level_is", "columns.angle_sense", "columns.vertical_positive"}
    assert set(proposal.blanks) == {"lab", "method", *asked}
    with pytest.raises(DataError) as caught:
        read_session(root / "s00", root, read_sheet(proposal.sheet))
    blank = {i.key for i in caught.value.items}
    assert blank == asked | {"lab", "method", "maker", "model", "kind", "powered", "date", "sample", "setting"}
    assert all("to be filled in" in i.found for i in caught.value.items)


@pytest.mark.parametrize("name", ["folder.toml", "sessions.csv"])
def test_nothing_is_overwritten(tmp_path, name):
    root = unknown(tmp_path / "old", "utf16")
    (root / name).write_text("mine")
    with pytest.raises(DataError) as caught:
        propose(root)
    assert name in caught.value.items[0].found
    assert (root / name).read_text() == "mine"
    assert sorted(p.name for p in root.iterdir()) == sorted([name, "s00", "s01"])


def test_files_in_the_plain_form_need_a_sheet_only(tmp_path):
    for name in ("a", "b"):
        (tmp_path / "old" / name).mkdir(parents=True)
        sessions.response_frame().write_csv(tmp_path / "old" / name / "responses.csv")
    proposal = propose(tmp_path / "old")
    assert "[columns]" not in proposal.toml_text
    assert "[traces]" not in proposal.toml_text
    assert len(proposal.curves) == 3


def test_a_folder_of_another_layout_is_told(tmp_path):
    root = unknown(tmp_path / "old", "utf16")
    shutil.move(unknown(tmp_path / "other", "german") / "s01", root / "s99")
    assert any("1 of 3 folders" in note for note in propose(root).notes)


@pytest.mark.parametrize(
    "content",
    [b"", b"\0" * 3000, b"\xff\xfeab", bytes(range(256)) * 20, b"notes in words\n" * 9, b"1\n2\n3\n", b"1,2\n" * 5],
)
def test_files_that_are_no_measurements_do_no_harm(tmp_path, content):
    (tmp_path / "old" / "s").mkdir(parents=True)
    (tmp_path / "old" / "s" / "a.txt").write_bytes(content)
    proposal = propose(tmp_path / "old")
    assert proposal.notes or proposal.blanks


def test_what_is_there_instead_is_named(tmp_path):
    for i in range(36):
        (tmp_path / f"take{i}.wav").write_bytes(b"RIFF")
    with pytest.raises(DataError, match=r"36 \.wav files; recordings are no finished curves"):
        propose(tmp_path)


def test_nothing_to_look_at_is_an_error(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"x")
    for folder in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(DataError):
            propose(folder)
    assert not (tmp_path / "folder.toml").exists()
