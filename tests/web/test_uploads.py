"""Uploads: what is laid out, and what is turned away."""

from __future__ import annotations

import io
import stat
import zipfile
from dataclasses import replace

import pytest

from speakerdb.errors import DataError, UnknownNameError
from speakerdb.web.security import TooLargeError
from speakerdb.web.uploads import LIMITS, Stages, lay_out, safe_path


def archive(entries, compression=zipfile.ZIP_DEFLATED):
    """A zip in memory from (name or ZipInfo, content) pairs."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", compression) as file:
        for name, content in entries:
            file.writestr(name, content)
    held.seek(0)
    return held


def put(tmp_path, *files, limits=LIMITS):
    lay_out([(n, io.BytesIO(c) if isinstance(c, bytes) else c) for n, c in files], tmp_path / "up", limits)
    return sorted(str(p.relative_to(tmp_path / "up")) for p in (tmp_path / "up").rglob("*") if p.is_file())


def test_files_keep_their_folders(tmp_path):
    assert put(tmp_path, ("a/session.toml", b"x"), ("a/responses/h 0.txt", b"y"), ("b/session.toml", b"z")) == [
        "a/responses/h 0.txt",
        "a/session.toml",
        "b/session.toml",
    ]


def test_a_zip_is_unpacked_where_it_lies(tmp_path):
    zipped = archive([("s/session.toml", "x"), ("s/responses.csv", "y"), ("__MACOSX/s/._x", "?"), ("s/.DS_Store", "?")])
    assert put(tmp_path, ("all/folders.zip", zipped)) == ["all/s/responses.csv", "all/s/session.toml"]


@pytest.mark.parametrize(
    "name",
    [
        "../out.toml",
        "a/../../out.toml",
        "/etc/passwd",
        "C:/x",
        "a\\..\\b",
        "a/\0b",
        "a/b\nc",
        "",
        "a/" * 20 + "x",
        "a/" + "x" * 300,
    ],
)
def test_a_name_that_leads_elsewhere_is_turned_away(name, tmp_path):
    with pytest.raises(DataError, match="a name"):
        safe_path(name)


@pytest.mark.parametrize("name", ["../out.toml", "a/../../out.toml", "/out.toml", "C:/out.toml", "a/b\nc"])
def test_an_archive_with_such_a_name_is_turned_away(name, tmp_path):
    with pytest.raises(DataError, match="a name"):
        put(tmp_path, ("x.zip", archive([(name, "x")])))
    assert not list(tmp_path.rglob("out.toml"))


def test_a_link_in_a_zip_is_turned_away(tmp_path):
    link = zipfile.ZipInfo("s/session.toml")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with pytest.raises(DataError, match="link or special file"):
        put(tmp_path, ("x.zip", archive([(link, "/etc/passwd")])))


def test_an_archive_that_unpacks_to_far_more_than_it_weighs_is_not_unpacked(tmp_path):
    bomb = archive([("s/responses.csv", b"0" * 20_000_000)])
    with pytest.raises(TooLargeError, match="times its own size"):
        put(tmp_path, ("x.zip", bomb))
    assert not list((tmp_path / "up").rglob("responses.csv"))


def test_an_archive_that_lies_about_its_size_stops_where_the_room_ends(tmp_path):
    held = archive([("s/responses.csv", b"0" * 3_000_000)])
    with pytest.raises(TooLargeError, match="unpacks to more"):
        put(tmp_path, ("x.zip", held), limits=replace(LIMITS, unpacked_bytes=1_000_000))


def test_an_archive_with_the_sizes_in_its_directory_forged_is_refused(tmp_path):
    content = bytearray(archive([("s/a.csv", b"0123456789" * 50)], zipfile.ZIP_STORED).getvalue())
    at = content.rindex(b"PK\x01\x02")
    content[at + 24 : at + 28] = (7).to_bytes(4, "little")
    with pytest.raises(DataError, match="can't be unpacked"):
        put(tmp_path, ("x.zip", bytes(content)))


def test_too_many_files_are_turned_away(tmp_path):
    few = replace(LIMITS, files=3)
    with pytest.raises(TooLargeError, match="more than 3 files"):
        put(tmp_path, *((f"a/{i}.txt", b"x") for i in range(4)), limits=few)
    with pytest.raises(TooLargeError, match="more than 3 files"):
        put(tmp_path, ("x.zip", archive([(f"{i}.txt", "x") for i in range(4)])), limits=few)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 not a zip", b"hello"])
def test_a_broken_archive_is_told_in_words(content, tmp_path):
    with pytest.raises(DataError, match=r"x\.zip can't be unpacked"):
        put(tmp_path, ("x.zip", content))


def test_a_name_given_twice_is_turned_away(tmp_path):
    with pytest.raises(DataError, match="twice"):
        put(tmp_path, ("a/session.toml", b"1"), ("a/session.toml", b"2"))
    with pytest.raises(DataError, match="twice, or as a file and as a folder"):
        put(tmp_path, ("b", b"1"), ("b/session.toml", b"2"))


def test_an_upload_without_files_is_told_what_to_do(tmp_path):
    with pytest.raises(DataError, match="drop a session's folder"):
        put(tmp_path)


def test_only_so_many_uploads_wait_and_none_longer_than_allowed():
    stages = Stages(most=2)
    folders = [stages.add([("a/session.toml", io.BytesIO(b"x"))]) for _ in range(3)]
    assert not folders[0].folder.exists()
    with pytest.raises(UnknownNameError, match="no longer kept"):
        stages.find(folders[0].id)
    assert stages.find(folders[2].id).folder.exists()
    stages.close()
    assert not folders[2].folder.exists()
    short = Stages(stay_s=0.0)
    gone = short.add([("a/session.toml", io.BytesIO(b"x"))])
    with pytest.raises(UnknownNameError, match="drop the folder again"):
        short.find(gone.id)


def test_nothing_stays_of_an_upload_that_was_turned_away(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(DataError):
        Stages().add([("a/session.toml", io.BytesIO(b"x")), ("../b", io.BytesIO(b"x"))])
    assert list(tmp_path.iterdir()) == []
