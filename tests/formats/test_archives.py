"""Zip archives and workbooks are read in place, within limits, and nothing in them leads out."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, propose, read_session, read_sources
from tests.formats import sessions
from tests.formats.test_traces import FRAME, plain_hash, write_traces


def pack(folder: Path, name: str = "export.zip", inside: str = "") -> Path:
    """The files of a folder, keys apart, in an archive in their place."""
    files = [p for p in folder.rglob("*") if p.is_file() and p.suffix != ".toml"]
    with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in files:
            archive.write(file, inside + str(file.relative_to(folder)))
            file.unlink()
    return folder


def workbook(path: Path, rows: list[list[object]], sheets: tuple[str, ...] = ("Export",)) -> None:
    with xlsxwriter.Workbook(path) as book:
        for name in sheets:
            sheet = book.add_worksheet(name)
            for i, row in enumerate(rows):
                sheet.write_row(i, 0, row)


def long_rows() -> list[list[object]]:
    return [["Hz", "Plane", "Angle", "dB"], *map(list, FRAME.iter_rows())]


@pytest.mark.parametrize("inside", ["", "polar/"])
def test_traces_in_an_archive_are_read_in_place(tmp_path, inside):
    folder = sessions.write_keys(tmp_path / "s")
    write_traces(folder, "{orbit}_{angle}.txt")
    (folder / "folder.toml").write_text(f'[traces]\npattern = "export.zip/{inside}{{orbit}}_{{angle}}.txt"\n')
    session = read_session(pack(folder, inside=inside))
    assert content_hash(session) == plain_hash(tmp_path)
    assert content_hash(read_sources("kept", session.sources)) == content_hash(session)
    assert {e.file for e in session.ledger if e.read_as and "responses" in e.read_as} == {
        s.name for s in session.sources if s.name.startswith("export.zip/")
    }


def test_a_proposal_reads_an_archive(tmp_path):
    folder = tmp_path / "old" / "s"
    write_traces(folder, "{orbit}_{angle}.txt")
    pack(folder)
    found = propose(tmp_path / "old")
    assert 'pattern = "export.zip/{orbit}_{angle}.txt"' in found.toml_text
    assert len(found.curves) == 3


def test_what_in_an_archive_leads_out_or_is_debris_is_never_read(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    with zipfile.ZipFile(folder / "more.zip", "w") as archive:
        for name in ("../out.txt", "/etc/x", "__MACOSX/._a", ".hidden", "a/b.txt"):
            archive.writestr(name, "100 80\n")
    ledger = {e.file: e.why_not for e in read_session(folder).ledger if e.why_not}
    assert "leads out" in ledger["more.zip/../out.txt"]
    assert "leads out" in ledger["more.zip//etc/x"]
    assert "hidden" in ledger["more.zip/__MACOSX/._a"]
    assert "hidden" in ledger["more.zip/.hidden"]
    assert "fits no" in ledger["more.zip/a/b.txt"]


@pytest.mark.parametrize("kind", ["cut", "words", "bomb"])
def test_an_archive_that_can_not_be_read_is_told(tmp_path, kind):
    folder = sessions.write_plain(tmp_path / "s", FRAME)
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.txt", b"\0" * (500_000_000 if kind == "bomb" else 100))
    whole = content.getvalue()
    (folder / "x.zip").write_bytes({"cut": whole[:-30], "words": b"words", "bomb": whole}[kind])
    (entry,) = [e for e in read_session(folder).ledger if e.file.startswith("x.zip")]
    assert entry.why_not is not None
    assert ("MB when unpacked" if kind == "bomb" else "damaged archive") in entry.why_not


MAP = '[columns]\nfile = "a.xlsx"\nfrequency_hz = "Hz"\norbit = "Plane"\nangle_deg = "Angle"\nlevel_db = "dB"\n'


def test_a_workbook_is_read_as_a_table(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    workbook(folder / "a.xlsx", long_rows())
    (folder / "folder.toml").write_text(MAP)
    session = read_session(folder)
    assert content_hash(session) == plain_hash(tmp_path)
    assert content_hash(read_sources("kept", session.sources)) == content_hash(session)


def test_a_proposal_reads_a_workbook(tmp_path):
    (tmp_path / "old" / "s").mkdir(parents=True)
    workbook(tmp_path / "old" / "s" / "a.xlsx", long_rows())
    found = propose(tmp_path / "old")
    assert 'level_db = "dB"' in found.toml_text
    assert len(found.curves) == 3


def test_of_several_worksheets_the_one_that_is_named(tmp_path):
    folder = sessions.write_keys(tmp_path / "s")
    workbook(folder / "a.xlsx", long_rows(), ("One", "Two"))
    (folder / "folder.toml").write_text(MAP)
    assert any("of its 2 worksheets the first, One" in w for w in read_session(folder).warnings)
    (folder / "folder.toml").write_text(MAP + 'worksheet = "Two"\n')
    assert not any("worksheets" in w for w in read_session(folder).warnings)
    (folder / "folder.toml").write_text(MAP + 'worksheet = "Three"\n')
    with pytest.raises(DataError, match="Three"):
        read_session(folder)


@pytest.mark.parametrize("content", [b"", b"PK", b"words", b"PK\x05\x06" + b"\0" * 18])
def test_a_damaged_workbook_is_told(tmp_path, content):
    folder = sessions.write_keys(tmp_path / "s")
    (folder / "a.xlsx").write_bytes(content)
    (folder / "folder.toml").write_text(MAP)
    with pytest.raises(DataError, match=r"workbook|worksheets|empty"):
        read_session(folder)
