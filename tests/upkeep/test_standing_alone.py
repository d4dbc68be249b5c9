"""Whatever is in one folder, the others are stored, and the one is refused in words."""

from __future__ import annotations

import os
import socket

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import speakerdb
from speakerdb.formats import session_reader
from speakerdb.upkeep import ingest as ingesting
from tests.folders import responses_csv, write_session


@pytest.fixture
def base(tmp_path):
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        yield base


def both(base, tmp_path, **changes):
    """A bad folder between two good ones; what became of them."""
    write_session(tmp_path / "in" / "a", model="Sill 4")
    write_session(tmp_path / "in" / "z", model="Sill 6")
    results = {os.path.basename(r.folder): r for r in base.ingest(tmp_path / "in")}
    assert results["a"].result == results["z"].result == "stored"
    return results["m"]


class Panic(BaseException):
    """What a library's panic is: no Exception."""


@pytest.mark.parametrize("where", ["reading", "deriving"])
@pytest.mark.parametrize("error", [RuntimeError, Panic, MemoryError, RecursionError])
def test_a_fault_nobody_foresaw_refuses_its_folder_alone(base, tmp_path, monkeypatch, error, where):
    write_session(tmp_path / "in" / "m")
    if where == "reading":
        entire = session_reader.read_responses

        def broken(view, *rest, **options):
            if view.folder.endswith("/m"):
                raise error("a corner nobody looked into")
            return entire(view, *rest, **options)

        monkeypatch.setattr(session_reader, "read_responses", broken)
    else:
        derive = ingesting.derive.derive

        def fails(grids):
            if any(g.info.model == "Sill 5" for g in grids):
                raise error("a corner nobody looked into")
            return derive(grids)

        monkeypatch.setattr(ingesting.derive, "derive", fails)
    refused = both(base, tmp_path)
    assert refused.result == "refused"
    assert "a corner nobody looked into" in str(refused.errors[0])
    assert "report" in refused.errors[0].expected


def write_columns(folder, text):
    write_session(folder)
    (folder / "folder.toml").write_text(text)


def test_a_whole_number_written_with_a_point_is_one(base, tmp_path):
    folder = write_session(tmp_path / "in" / "m", repeat=1.0, year=2024.0)
    (folder / "responses.csv").write_text("remark\n" + responses_csv())
    (folder / "folder.toml").write_text("[columns]\nskip_rows = 1.0\nangle_deg = 3.0\n")
    assert both(base, tmp_path).result == "stored"


def test_words_of_a_parquet_file_that_are_no_text_are_refused(base, tmp_path):
    folder = write_session(tmp_path / "in" / "m")
    (folder / "responses.csv").unlink()
    words = pa.Array.from_buffers(
        pa.string(), 2, [None, pa.py_buffer(np.array([0, 2, 4], np.int32)), pa.py_buffer(b"\xff\xfe\xff\xfe")]
    )
    numbers = {n: [1.0, 2.0] for n in ("frequency_hz", "angle_deg", "level_db")}
    pq.write_table(pa.table({"orbit": words, **numbers}), folder / "responses.parquet")
    refused = both(base, tmp_path)
    assert refused.result == "refused"
    assert "damaged Parquet file" in str(refused.errors[0])


@pytest.mark.parametrize("kind", ["numbers", "words"])
def test_a_small_parquet_file_that_is_large_in_memory_is_refused(base, tmp_path, kind):
    folder = write_session(tmp_path / "in" / "m")
    (folder / "responses.csv").unlink()
    if kind == "numbers":
        table = pa.table({n: np.zeros(9_900_000) for n in ("frequency_hz", "angle_deg", "level_db")})
    else:
        table = pa.table({"orbit": ["x" * 5000] * 100_000, "level_db": np.zeros(100_000)})
    pq.write_table(table, folder / "responses.parquet")
    assert (folder / "responses.parquet").stat().st_size < 500_000
    refused = both(base, tmp_path)
    assert refused.result == "refused"
    assert "MB when unpacked" in str(refused.errors[0])


def test_what_is_no_file_is_listed_and_never_read(base, tmp_path):
    folder = write_session(tmp_path / "in" / "m")
    os.mkfifo(folder / "pipe.csv")
    os.symlink("/nowhere", folder / "gone.csv")
    os.symlink(tmp_path, folder / "elsewhere")
    (folder / "._responses.csv").write_bytes(b"\0")
    (folder / "photo.jpg").write_bytes(b"\xff")
    (folder / "take1.wav").write_bytes(b"RIFF")
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(str(folder / "s"))
        done = both(base, tmp_path)
    assert done.result == "stored"
    ledger = {e.file: e.read_as or e.why_not for e in done.ledger}
    assert ledger == {
        "session.toml": "keys",
        "responses.csv": "responses",
        "pipe.csv": "no file: a pipe, a device or a socket",
        "s": "no file: a pipe, a device or a socket",
        "gone.csv": "a link to nothing",
        "elsewhere": "a link to a folder",
        "._responses.csv": "a hidden file, as archives and other systems leave behind",
        "photo.jpg": "not a kind of file that holds measurements here",
        "take1.wav": "a recording, no finished curve: `speakerdb prepare` makes curves of those",
    }
    assert not [w for w in done.warnings if "not read" in w]


def test_a_file_that_looks_like_a_measurement_and_was_not_read_is_named(base, tmp_path):
    folder = write_session(tmp_path / "in" / "m")
    (folder / "h_35.txt").write_text("\n".join(f"{f} {80 - f / 1000}" for f in range(100, 2000, 50)))
    (folder / "notes.txt").write_text("on a stand\n")
    done = both(base, tmp_path)
    assert [w for w in done.warnings if "not read" in w] == [
        "1 file that looks like a measurement was not read: h_35.txt"
    ]


def test_the_ledger_is_kept_and_told_by_explain(base, tmp_path):
    folder = write_session(tmp_path / "in" / "m")
    (folder / "photo.jpg").write_bytes(b"\xff")
    both(base, tmp_path)
    (source,) = base.explain("alder-fen-sill-5", "f6_hz", exact=True).sources
    assert {f["name"]: f["read_as"] for f in source["files"]} == {"session.toml": "keys", "responses.csv": "responses"}
    assert [f["name"] for f in source["not_read"]] == ["photo.jpg"]


def test_what_is_left_open_is_asked_and_not_refused(base, tmp_path):
    write_session(tmp_path / "in" / "m", method="?")
    assert both(base, tmp_path).result == "asked"
