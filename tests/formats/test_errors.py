"""Every defect is named with its file, its line or key, what was found and what was expected; all of a folder at
once."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import read_session
from tests.folders import KEYS, toml_text
from tests.formats import sessions

FRAME = sessions.response_frame(angles=sessions.ANGLES[::6])
HEADING = "frequency_hz,orbit,angle_deg,level_db"


def items_of(folder: Path) -> list[ErrorItem]:
    with pytest.raises(DataError) as caught:
        read_session(folder)
    items = list(caught.value.items)
    assert items
    assert all(i.folder == str(folder) and i.found and i.expected for i in items)
    return items


def edit_line(path: Path, line: int, change: Callable[[str], str]) -> None:
    lines = path.read_text().split("\n")
    lines[line - 1] = change(lines[line - 1])
    path.write_text("\n".join(lines))


def cell(column: int, value: str) -> Callable[[str], str]:
    def change(row: str) -> str:
        cells = row.split(",")
        cells[column] = value
        return ",".join(cells)

    return change


@pytest.mark.parametrize(
    ("column", "value", "key", "found", "expected"),
    [
        (0, "1k", "frequency_hz", "'1k'", "number"),
        (0, "0", "frequency_hz", "0", "above 0"),
        (0, "-20", "frequency_hz", "-20", "above 0"),
        (0, "", "frequency_hz", "empty", "above 0"),
        (0, "nan", "frequency_hz", "empty", "above 0"),
        (0, "inf", "frequency_hz", "inf", "above 0"),
        (1, "diagonal", "orbit", "'diagonal'", "horizontal, vertical"),
        (1, "", "orbit", "''", "horizontal, vertical"),
        (2, "190", "angle_deg", "190", "-180 to 180"),
        (2, "-180.5", "angle_deg", "-180.5", "-180 to 180"),
        (2, "left", "angle_deg", "'left'", "number"),
        (3, "8O.2", "level_db", "'8O.2'", "number"),
        (3, "inf", "level_db", "inf", "level between"),
        (3, "-inf", "level_db", "-inf", "level between"),
        (3, "900", "level_db", "900", "level between"),
    ],
)
def test_a_bad_cell_is_named_with_its_line(tmp_path, column, value, key, found, expected):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    edit_line(folder / "responses.csv", 137, cell(column, value))
    (item,) = items_of(folder)
    assert (item.file, item.line, item.key) == ("responses.csv", 137, key)
    assert found in item.found
    assert expected in item.expected


def test_lines_are_counted_with_blank_ones(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    edit_line(folder / "responses.csv", 20, lambda row: f"\n\n{row}")
    edit_line(folder / "responses.csv", 30, cell(3, "x"))
    (item,) = items_of(folder)
    assert item.line == 30


def test_a_blank_line_is_no_defect(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    edit_line(folder / "responses.csv", 20, lambda row: f"\n{row}")
    assert len(read_session(folder).blocks) == 1


@pytest.mark.parametrize(("row", "count"), [("100,horizontal,0", 3), ("100,horizontal,0,80,5", 5), ("100", 1)])
def test_a_row_of_the_wrong_width_is_named(tmp_path, row, count):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    edit_line(folder / "responses.csv", 50, lambda _: row)
    (item,) = items_of(folder)
    assert (item.line, item.found) == (50, f"{count} cells")


def test_a_point_that_stands_twice_is_named(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    with open(folder / "responses.csv", "a") as file:
        file.write("25.0,vertical,10.0,80\n")
    (item,) = items_of(folder)
    assert item.line == len(FRAME) + 2
    assert "vertical 10° at 25 Hz" in item.found


def test_many_bad_rows_of_one_kind_are_counted_not_listed(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME.with_columns(angle_deg=pl.lit(400.0)))
    items = items_of(folder)
    assert len(items) == 6
    assert f"{len(FRAME) - 5} more rows" in items[-1].found


@pytest.mark.parametrize(
    ("heading", "found", "expected"),
    [
        ("frequency_hz,orbit,angle_deg,leve_db", "unknown column 'leve_db'", "perhaps level_db"),
        ("frequency_hz,orbit,angle_deg,level_db,level_db", "column level_db twice", "once"),
        ("frequency_hz,orbit,angle_deg", "no column level_db", "level_db"),
        ("Frequenz;Pegel", "unknown column", "[columns]"),
    ],
)
def test_a_wrong_heading_is_named(tmp_path, heading, found, expected):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "responses.csv").write_text(f"{heading}\n1,2,3,4,5\n")
    items = items_of(folder)
    assert any(found in i.found and expected in i.expected and i.line == 1 for i in items)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "empty file"),
        (b"\n \n", "empty file"),
        (HEADING.encode(), "without rows"),
        (f"{HEADING}\n\n\n".encode(), "without rows"),
        (f"{HEADING}\n100,horizontal,0,\n200,horizontal,0,\n".encode(), "no value in any row"),
        (f"{HEADING}\n0.1,horizontal,0,80\n20,horizontal,0,80\n".encode(), "20 as the highest frequency"),
        (b"\xff\xfe\x00\x01" + bytes(range(128, 256)), "not UTF-8"),
        (f"{HEADING}\n100,horizontal,0,80\n".encode() + b"\xe9\xe8\n", "not UTF-8"),
        (os.urandom(5) + b"\0" * 5000, ""),
    ],
)
def test_a_file_that_holds_no_table_is_told_apart(tmp_path, content, found):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "responses.csv").write_bytes(content)
    items = items_of(folder)
    assert all(i.file == "responses.csv" for i in items)
    assert any(found in i.found for i in items)


def test_two_files_of_one_table(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME, whole=True)
    FRAME.write_parquet(folder / "responses.parquet")
    sessions.impedance_frame().write_parquet(folder / "impedance.parquet")
    items = items_of(folder)
    assert {i.file for i in items} == {"responses.parquet", "impedance.parquet"}
    assert all("two files" in i.found for i in items)


def test_no_responses_and_no_folder(tmp_path):
    (item,) = items_of(sessions.write_keys(tmp_path / "s"))
    assert "no responses" in item.found
    (item,) = items_of(tmp_path / "nowhere")
    assert "no such folder" in item.found


def test_all_defects_come_at_once(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME, whole=True, kind="shelf", year="old", lab=None, modle="x")
    edit_line(folder / "responses.csv", 9, cell(3, "x"))
    edit_line(folder / "distortion.csv", 4, cell(3, "-1"))
    edit_line(folder / "compression.csv", 5, cell(0, "loud"))
    edit_line(folder / "impedance.csv", 6, cell(1, "0"))
    items = items_of(folder)
    assert {(i.file, i.key) for i in items} == {
        ("session.toml", "kind"),
        ("session.toml", "year"),
        ("session.toml", "lab"),
        ("session.toml", "modle"),
        ("responses.csv", "level_db"),
        ("distortion.csv", "percent"),
        ("compression.csv", "drive_db"),
        ("impedance.csv", "magnitude_ohm"),
    }
    assert {i.line for i in items if i.file != "session.toml"} == {9, 4, 5, 6}


@pytest.mark.parametrize(
    ("rows", "key"),
    [
        ("90,100,thd,-1", "percent"),
        ("90,100,thd,101", "percent"),
        ("90,100,thd,inf", "percent"),
        ("90,100,h9,1", "component"),
        ("90,100,thd,1\n90,100,thd,2", "frequency_hz"),
        ("900,100,thd,1", "drive_db"),
        (",100,thd,1", "drive_db"),
    ],
)
def test_impossible_distortion(tmp_path, rows, key):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "distortion.csv").write_text(f"drive_db,frequency_hz,component,percent\n{rows}\n")
    (item,) = items_of(folder)
    assert (item.file, item.key, item.line) == ("distortion.csv", key, rows.count("\n") + 2)


def test_distortion_above_the_fundamental(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "distortion.csv").write_text("drive_db,frequency_hz,component,level_db\n90,100,thd,3\n")
    (item,) = items_of(folder)
    assert "100 percent" in item.expected


@pytest.mark.parametrize(
    "columns", ["drive_db,frequency_hz,component", "drive_db,frequency_hz,component,level_db,percent"]
)
def test_distortion_is_either_in_percent_or_in_db(tmp_path, columns):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "distortion.csv").write_text(f"{columns}\n" + "1," * columns.count(",") + "1\n")
    (item,) = items_of(folder)
    assert "level_db" in item.found


def test_a_compression_sweep_that_stands_twice(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    pl.concat([sessions.compression_frame((80.0,)), sessions.compression_frame((80.0,))]).write_csv(
        folder / "compression.csv"
    )
    items = items_of(folder)
    assert "a second time" in items[0].found
    assert "drive" in items[0].expected


def test_a_gzip_file_that_breaks_off_or_is_none(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    packed = gzip.compress(FRAME.write_csv().encode())
    for content, found in (
        (packed[: len(packed) // 2], "breaks off"),
        (b"no gzip", "damaged gzip"),
        (packed[:-9] + b"\0" * 9, ""),
    ):
        (folder / "responses.csv.gz").write_bytes(content)
        (item,) = items_of(folder)
        assert found in item.found


def test_a_small_file_that_unpacks_to_a_huge_one_is_refused_early(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    packer = zlib.compressobj(9, wbits=31)
    packed = b"".join(packer.compress(b"0" * 10_000_000) for _ in range(25)) + packer.flush()
    assert len(packed) < 1_000_000
    (folder / "responses.csv.gz").write_bytes(packed)
    (item,) = items_of(folder)
    assert "200 MB" in item.found


def test_damaged_and_foreign_parquet(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    path = folder / "responses.parquet"
    FRAME.write_parquet(path)
    whole = path.read_bytes()
    for content in (b"", b"PAR1", whole[:-100], whole[:500] + bytes(200) + whole[700:], b"x" * 2000):
        path.write_bytes(content)
        assert all(i.file == "responses.parquet" for i in items_of(folder))
    FRAME.with_columns(level_db=pl.lit(True)).write_parquet(path)
    (item,) = items_of(folder)
    assert item.key == "level_db"
    FRAME.with_columns(level_db=pl.lit([1.0])).write_parquet(path)
    (item,) = items_of(folder)
    assert item.key == "level_db"


def test_a_pipe_a_folder_and_an_unreadable_file_in_a_tables_place(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    os.mkfifo(folder / "responses.csv")
    (item,) = items_of(folder)
    assert "no responses" in item.found
    (folder / "responses.csv").unlink()
    (folder / "responses.csv").mkdir()
    (item,) = items_of(folder)
    assert "no responses" in item.found


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ('maker = "A\n', 1, "invalid TOML"),
        ("maker = x\n", 1, "invalid TOML"),
        ('maker = "A"\nmaker = "B"\n', 2, "invalid TOML"),
        ("date = 2026-02-31\n", 1, "invalid TOML"),
        ("a = " + "[" * 5000 + "\n", None, "nested"),
        ('maker = "\x00"\n', 1, "invalid TOML"),
    ],
)
def test_broken_toml_is_named_with_its_line_and_nothing_is_guessed_from_it(tmp_path, text, line, found):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "session.toml").write_text(text)
    (item,) = items_of(folder)
    assert (item.file, item.line) == ("session.toml", line)
    assert found in item.found


def test_toml_that_is_no_text(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    (folder / "session.toml").write_bytes(toml_text(KEYS).encode() + b"notes = '\xe9'\n")
    (item,) = items_of(folder)
    assert (item.file, item.line) == ("session.toml", len(KEYS) + 1)
    assert "UTF-8" in item.expected


def test_levels_about_zero_are_no_sound_pressure_levels(tmp_path):
    relative = FRAME.with_columns(level_db=pl.col("level_db") - 86.0)
    (item,) = items_of(sessions.write_plain(tmp_path / "a", relative))
    assert (item.file, item.key) == ("responses.csv", "level_is")
    assert read_session(sessions.write_plain(tmp_path / "b", relative, level_is="relative")).info.level_is == "relative"
