"""Which folders are sessions."""

from __future__ import annotations

import os

import pytest

from speakerdb.errors import DataError
from speakerdb.formats import find_sessions, read_session, read_sheet
from tests.formats import sessions

FRAME = sessions.response_frame(angles=sessions.ANGLES[::9])


def test_a_folder_or_a_folder_of_folders_at_any_depth(tmp_path):
    places = [tmp_path / "b", tmp_path / "a" / "deep" / "er", tmp_path / "a" / "c"]
    for place in places:
        sessions.write_plain(place, FRAME)
    sessions.write_plain(tmp_path / ".trash" / "d", FRAME)
    (tmp_path / "photos").mkdir()
    assert find_sessions(tmp_path) == sorted(places)
    assert find_sessions(tmp_path / "b") == [tmp_path / "b"]


@pytest.mark.parametrize("name", ["empty", "file", "nowhere"])
def test_nothing_to_ingest_is_an_error_that_says_what_was_expected(tmp_path, name):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    with pytest.raises(DataError) as caught:
        find_sessions(tmp_path / name)
    (item,) = caught.value.items
    assert item.folder == str(tmp_path / name)
    assert "session" in item.expected


def test_session_toml_makes_a_session_even_without_responses(tmp_path):
    sessions.write_keys(tmp_path / "s")
    assert find_sessions(tmp_path) == [tmp_path / "s"]


def test_responses_alone_make_no_session(tmp_path):
    (tmp_path / "s").mkdir()
    FRAME.write_csv(tmp_path / "s" / "responses.csv")
    with pytest.raises(DataError):
        find_sessions(tmp_path)


def test_a_folder_toml_makes_sessions_of_the_files_it_can_read(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name / "raw").mkdir(parents=True)
        (tmp_path / name / "H_0.txt").write_text("100 80\n200 81\n")
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "notes.txt").write_text("nothing")
    (tmp_path / "folder.toml").write_text('[traces]\npattern = "{orbit}_{angle}.txt"\n')
    assert find_sessions(tmp_path) == [tmp_path / "a", tmp_path / "b"]


def test_traces_in_a_subfolder_belong_to_the_session_around_it(tmp_path):
    sessions.write_keys(tmp_path / "s")
    (tmp_path / "s" / "H").mkdir()
    (tmp_path / "s" / "H" / "0.txt").write_text("100 80\n200 81\n")
    (tmp_path / "folder.toml").write_text('[traces]\npattern = "{orbit}/{angle}.txt"\n')
    assert find_sessions(tmp_path) == [tmp_path / "s"]
    assert read_session(tmp_path / "s", tmp_path).blocks[0].level_db.tolist() == [[80.0, 81.0]]


def test_a_broken_folder_toml_refuses_its_folders_and_no_others(tmp_path):
    sessions.write_plain(tmp_path / "good" / "s", FRAME)
    (tmp_path / "bad" / "s").mkdir(parents=True)
    (tmp_path / "bad" / "s" / "H_0.txt").write_text("100 80\n")
    (tmp_path / "bad" / "folder.toml").write_text("[traces\n")
    found = find_sessions(tmp_path)
    assert found == [tmp_path / "bad" / "s", tmp_path / "good" / "s"]
    read_session(found[1])
    with pytest.raises(DataError) as caught:
        read_session(found[0], tmp_path)
    assert caught.value.items[0].file == "../folder.toml"


def test_a_sheet_names_folders_and_one_that_is_not_there_is_refused_by_itself(tmp_path):
    (tmp_path / "a").mkdir()
    FRAME.write_csv(tmp_path / "a" / "responses.csv")
    (tmp_path / "sheet.csv").write_text("folder,maker\na,Alder Fen\nlost,Alder Fen\n")
    sheet = read_sheet(tmp_path / "sheet.csv")
    found = find_sessions(tmp_path, sheet)
    assert found == [tmp_path / "a", tmp_path / "lost"]
    with pytest.raises(DataError) as caught:
        read_session(found[1], tmp_path, sheet)
    (item,) = caught.value.items
    assert (item.file, item.line) == ("sheet.csv", 3)


def test_a_sheet_row_of_another_folder_is_left_alone(tmp_path):
    for name in ("a", "b"):
        sessions.write_plain(tmp_path / name / "s", FRAME)
    (tmp_path / "sheet.csv").write_text("folder,year\na/s,2020\nb/s,2021\n")
    sheet = read_sheet(tmp_path / "sheet.csv")
    assert find_sessions(tmp_path / "a", sheet) == [tmp_path / "a" / "s"]
    assert read_session(tmp_path / "b" / "s", tmp_path / "b", sheet).info.year == 2021


def test_a_link_in_a_circle_is_not_followed_for_ever(tmp_path):
    sessions.write_plain(tmp_path / "s", FRAME)
    (tmp_path / "s" / "loop").symlink_to(tmp_path)
    assert find_sessions(tmp_path) == [tmp_path / "s"]


def test_a_folder_that_cannot_be_listed_is_refused_not_passed_over(tmp_path, monkeypatch):
    sessions.write_plain(tmp_path / "good", FRAME)
    sessions.write_plain(tmp_path / "shut", FRAME)
    scandir = os.scandir

    def shut(path):
        if str(path).endswith("shut"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", shut)
    assert find_sessions(tmp_path) == [tmp_path / "good", tmp_path / "shut"]
    with pytest.raises(DataError) as caught:
        read_session(tmp_path / "shut")
    assert "Permission denied" in caught.value.items[0].found


def test_a_folder_of_too_many_files_is_no_session(tmp_path, monkeypatch):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    monkeypatch.setattr("speakerdb.formats.view.MAX_FILES", 3)
    for i in range(3):
        (folder / f"{i}.txt").touch()
    with pytest.raises(DataError) as caught:
        read_session(folder)
    assert "more than 3 files" in caught.value.items[0].found


@pytest.mark.parametrize("name", ["sessions.csv", "my list.csv"])
def test_a_sheet_beside_the_folders_is_no_measurement_though_the_pattern_fits_it(tmp_path, name):
    (tmp_path / "a").mkdir()
    FRAME.write_csv(tmp_path / "a" / "m.csv")
    (tmp_path / "folder.toml").write_text('[columns]\nfile = "*.csv"\n')
    (tmp_path / name).write_text("folder,maker\na,Alder Fen\n")
    assert find_sessions(tmp_path, read_sheet(tmp_path / name)) == [tmp_path / "a"]


def test_a_stray_file_above_does_not_hide_the_folders_below(tmp_path):
    for name in (".", "a"):
        (tmp_path / name).mkdir(exist_ok=True)
        (tmp_path / name / "H_0.txt").write_text("100 80\n200 81\n")
    (tmp_path / "folder.toml").write_text('[traces]\npattern = "{orbit}_{angle}.txt"\n')
    assert find_sessions(tmp_path) == [tmp_path, tmp_path / "a"]


def test_a_blank_in_a_folder_toml_refuses_the_folders_below_not_the_one_it_stands_in(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "m.csv").write_text("x")
    (tmp_path / "sessions.csv").write_text("folder,maker\na,?\n")
    (tmp_path / "folder.toml").write_text('[columns]\nfile = "m.csv"\nlevel_unit = "?"\n')
    assert find_sessions(tmp_path) == [tmp_path / "a"]
