"""session.toml keys of many folders as a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, read_session, read_sheet, read_sources
from speakerdb.session import Price
from tests.formats import sessions

FRAME = sessions.response_frame(angles=sessions.ANGLES[::9])
HEAD = "folder,maker,model,kind,powered,lab,method,date,sample,setting"
ROW = "s1,Alder Fen,Sill 5,standmount,yes,shed,anechoic,2026-03-01,0017,plain"


def bare(tmp_path: Path, name: str = "s1") -> Path:
    (tmp_path / name).mkdir(exist_ok=True)
    FRAME.write_csv(tmp_path / name / "responses.csv")
    return tmp_path / name


def sheet_of(tmp_path: Path, text: str, encoding: str = "utf-8"):
    (tmp_path / "sessions.csv").write_text(text, encoding=encoding)
    return read_sheet(tmp_path / "sessions.csv")


def refused_session(tmp_path: Path, text: str):
    sheet = sheet_of(tmp_path, text)
    with pytest.raises(DataError) as caught:
        read_session(bare(tmp_path), tmp_path, sheet)
    return list(caught.value.items)


def test_a_row_stands_for_a_session_toml(tmp_path):
    plain = read_session(sessions.write_plain(tmp_path / "plain", FRAME))
    session = read_session(bare(tmp_path), tmp_path, sheet_of(tmp_path, f"{HEAD}\n{ROW}\n"))
    assert session.info == plain.info
    assert content_hash(session) == content_hash(plain)


def test_the_row_is_kept_with_the_sources_and_suffices_to_read_again(tmp_path):
    sheet = sheet_of(tmp_path, f"{HEAD}\nother,{ROW.partition(',')[2]}\n{ROW}\n")
    session = read_session(bare(tmp_path), tmp_path, sheet)
    (row,) = [s for s in session.sources if "sessions.csv" in s.name]
    assert row.content.decode() == f"{HEAD}\n{ROW}\n"
    again = read_sources("kept", session.sources)
    assert again.info == session.info
    assert {s.name for s in again.sources} == {s.name for s in session.sources}


@pytest.mark.parametrize(("delimiter", "encoding"), [(";", "utf-8-sig"), ("\t", "utf-16"), (",", "utf-8")])
def test_numbers_switches_and_prices_in_cells(tmp_path, delimiter, encoding):
    comma = "4,5" if delimiter != "," else "4.5"
    head = [
        *HEAD.split(","),
        "mass_kg",
        "year",
        "symmetric",
        "smoothing_oct",
        "electronics.bass_db",
        "electronics.mode",
        "electronics.desk",
        "uncertainty.level",
        "prices.amount",
        "prices.currency",
        "prices.per",
        "prices.kind",
    ]
    row = [
        *ROW.split(","),
        comma,
        "2020",
        "no",
        "1/24",
        "-2",
        "pure",
        "true",
        comma.replace("4", "0"),
        "480",
        "EUR",
        "pair",
        "street",
    ]
    sheet = sheet_of(tmp_path, delimiter.join(head) + "\n" + delimiter.join(row) + "\n", encoding)
    info = read_session(bare(tmp_path), tmp_path, sheet).info
    assert (info.mass_kg, info.year, info.symmetric, info.smoothing_oct) == (4.5, 2020, False, 1 / 24)
    assert info.electronics == {"bass_db": -2.0, "mode": "pure", "desk": True}
    assert info.uncertainty == {"level": 0.5}
    assert info.prices == (Price(480.0, "EUR", "pair", "street"),)


def test_text_stays_text_though_it_looks_like_a_number(tmp_path):
    text = f"{HEAD}\ns1,Alder Fen,5,standmount,1,1,anechoic,2026-03-01,0017,0\n"
    info = read_session(bare(tmp_path), tmp_path, sheet_of(tmp_path, text)).info
    assert (info.model, info.lab, info.sample, info.setting, info.powered) == ("5", "1", "0017", "0", True)


def test_empty_cells_say_nothing_and_folder_toml_fills_them(tmp_path):
    (tmp_path / "folder.toml").write_text('lab = "attic"\nmethod = "gated"\n')
    text = f"{HEAD}\n{ROW.replace('shed,anechoic', ',')}\n,,,,,,,,,\n"
    info = read_session(bare(tmp_path), tmp_path, sheet_of(tmp_path, text)).info
    assert (info.lab, info.method) == ("attic", "gated")


def test_the_sheet_wins_over_folder_toml_and_must_not_contradict_session_toml(tmp_path):
    (tmp_path / "folder.toml").write_text('lab = "attic"\n')
    sheet = sheet_of(tmp_path, f"{HEAD}\n{ROW}\n")
    folder = bare(tmp_path)
    assert read_session(folder, tmp_path, sheet).info.lab == "shed"
    (folder / "session.toml").write_text('lab = "shed"\nmass_kg = 3\n')
    assert read_session(folder, tmp_path, sheet).info.mass_kg == 3.0
    (folder / "session.toml").write_text('lab = "cellar"\n')
    with pytest.raises(DataError) as caught:
        read_session(folder, tmp_path, sheet)
    (item,) = caught.value.items
    assert (item.file, item.line, item.key) == ("sessions.csv", 2, "lab")
    assert "cellar" in item.found


@pytest.mark.parametrize(
    ("change", "key", "found"),
    [
        (("standmount", "shelf"), "kind", "'shelf'"),
        (("yes", "perhaps"), "powered", "'perhaps'"),
        (("2026-03-01", "1.3.26"), "date", "'1.3.26'"),
        (("anechoic", "?"), "method", "to be filled in"),
        (("anechoic", ""), "method", "nothing"),
    ],
)
def test_a_bad_cell_refuses_its_folder_and_is_named_by_line(tmp_path, change, key, found):
    (item,) = refused_session(tmp_path, f"{HEAD}\n{ROW.replace(*change)}\n")
    assert item.key == key
    assert found in item.found
    if found != "nothing":
        assert (item.file, item.line) == ("sessions.csv", 2)


def test_two_rows_for_one_folder(tmp_path):
    (item,) = refused_session(tmp_path, f"{HEAD}\n{ROW}\n{ROW.replace('s1', './s1')}\n")
    assert item.line == 3


@pytest.mark.parametrize(
    ("text", "found", "expected"),
    [
        ("", "no rows", "folder"),
        ("folder,maker\n", "no rows", "row for each"),
        ("maker\nAlder Fen\n", "no heading `folder`", "folder"),
        ("folder,mker\na,b\n", "unknown heading 'mker'", "perhaps maker"),
        ("folder,maker,maker\na,b,c\n", "maker twice", "once"),
        ("folder,columns.file\na,b\n", "unknown heading", "keys of session.toml"),
        ("folder,electronics\na,b\n", "unknown heading", ""),
        ("folder,uncertainty.levels\na,b\n", "unknown heading", ""),
        ("folder,maker\n,b\n", "no folder", "the folder"),
        ("folder,maker\na,b,c\n", "3 cells", "2 cells"),
        (f"folder,maker\n{'9' * 300},b\n", "no folder can have", "beside the sheet"),
        ("folder,maker\na\0b,c\n", "no folder can have", "beside the sheet"),
    ],
)
def test_a_sheet_that_cannot_be_used_is_an_error_by_itself(tmp_path, text, found, expected):
    with pytest.raises(DataError) as caught:
        sheet_of(tmp_path, text)
    (item,) = caught.value.items
    assert item.file == "sessions.csv"
    assert found in item.found
    assert expected in item.expected


def test_a_sheet_that_is_not_there_or_no_text(tmp_path):
    for content in (None, bytes(range(256)) * 10, b"\xff\xfe\x00"):
        if content is not None:
            (tmp_path / "sessions.csv").write_bytes(content)
        with pytest.raises(DataError):
            read_sheet(tmp_path / "sessions.csv")


def test_folders_are_found_beside_the_sheet_and_below_the_ingested_folder(tmp_path):
    shelf = tmp_path / "shelf" / "deep"
    shelf.mkdir(parents=True)
    folder = bare(shelf)
    elsewhere = tmp_path / "office"
    elsewhere.mkdir()
    for where, name in ((tmp_path, "shelf/deep/s1"), (tmp_path, "shelf\\deep\\s1"), (elsewhere, "deep/s1")):
        sheet = sheet_of(where, f"{HEAD}\n{ROW.replace('s1', name, 1)}\n")
        assert read_session(folder, tmp_path / "shelf", sheet).info.maker == "Alder Fen"
