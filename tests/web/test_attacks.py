"""Uploads that mean harm: each ends in a sentence, nothing is stored, and others are answered meanwhile."""

from __future__ import annotations

import gzip
import threading
import time
import zipfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from speakerdb.errors import DataError
from speakerdb.formats import read_session
from tests.folders import write_session

SLOWEST_S = 5.0  # that another reader waits meanwhile, on a busy machine; at rest it is below 1


def stars(folder: Path) -> None:
    (folder / "responses.csv").unlink()
    for i in range(40):
        (folder / f"{'a' * 100}{i}.txt").write_text("100 80\n")
    (folder / "folder.toml").write_text(f'[traces]\npattern = "{"*a" * 40}b"\n')


def deep_key(folder: Path) -> None:
    with open(folder / "session.toml", "a") as file:
        file.write(".".join("a" * 3000) + " = 1\n")


def many_keys(folder: Path) -> None:
    with open(folder / "session.toml", "a") as file:
        file.write("\n".join(f"zz{i} = 1" for i in range(20_000)))


def small_parquet(folder: Path) -> None:
    (folder / "responses.csv").unlink()
    table = pa.table({n: np.zeros(9_900_000) for n in ("frequency_hz", "angle_deg", "level_db")})
    pq.write_table(table, folder / "responses.parquet")


def long_words(folder: Path) -> None:
    (folder / "responses.csv").unlink()
    words = pa.DictionaryArray.from_arrays(np.zeros(5000, np.int32), ["x" * 1_000_000])
    pq.write_table(pa.table({"orbit": words}), folder / "responses.parquet")


def small_sofa(folder: Path) -> None:
    import netCDF4

    (folder / "responses.csv").unlink()
    with netCDF4.Dataset(str(folder / "responses.sofa"), "w") as data:
        data.SOFAConventions = "FreeFieldDirectivityTF"
        for name, size in (("M", 20_000), ("R", 1), ("N", 20_000)):
            data.createDimension(name, size)
        data.createVariable("Data.Real", "f8", ("M", "R", "N"), zlib=True)[0, 0, 0] = 0.0


def packed_zeros(folder: Path) -> None:
    (folder / "responses.csv").unlink()
    (folder / "responses.csv.gz").write_bytes(gzip.compress(b"0" * 450_000_000, 1))


def archive_of_zeros(folder: Path) -> None:
    with zipfile.ZipFile(folder / "more.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.txt", b"0" * 450_000_000)


def one_line(folder: Path) -> None:
    (folder / "responses.csv").unlink()
    (folder / "export.txt").write_text("f l\n" + "1 " * 3_000_000)
    (folder / "folder.toml").write_text('[columns]\nfile = "export.txt"\nfrequency_hz = "f"\nlevel_db = "l"\n')


ATTACKS = (stars, deep_key, many_keys, small_parquet, long_words, small_sofa, packed_zeros, one_line)


@pytest.mark.parametrize("attack", [*ATTACKS, archive_of_zeros], ids=lambda a: a.__name__)
def test_a_folder_that_means_harm_is_refused_in_words_and_in_time(tmp_path, attack):
    folder = write_session(tmp_path / "s")
    attack(folder)
    begun = time.process_time()
    if attack is archive_of_zeros:  # beside a sound session: listed, and not read
        assert any("MB when unpacked" in str(e.why_not) for e in read_session(folder).ledger)
    else:
        with pytest.raises(DataError) as caught:
            read_session(folder)
        assert all(i.found and i.expected for i in caught.value.items)
    assert time.process_time() - begun < 10.0


def test_others_are_answered_meanwhile(taking, tmp_path):
    waits, stop = [], threading.Event()

    def read():
        while not stop.is_set():
            begun = time.monotonic()
            assert taking.get("/api/speakers").status_code == 200
            waits.append(time.monotonic() - begun)
            time.sleep(0.05)

    reader = threading.Thread(target=read)
    reader.start()
    for attack in (stars, many_keys, small_parquet, small_sofa):
        folder = write_session(tmp_path / attack.__name__)
        attack(folder)
        files = [("files", (f"{attack.__name__}/{p.name}", p.read_bytes())) for p in folder.iterdir()]
        headers = {"X-Speakerdb-Token": taking.token}
        reply = taking.client.post("/api/sessions", files=files, headers=headers)
        assert reply.status_code in {200, 400}, reply.text
        if reply.status_code == 200:
            assert {s["result"] for s in reply.json()["sessions"]} <= {"refused", "asked"}
    stop.set()
    reader.join()
    assert max(waits) < SLOWEST_S
    assert taking.get("/api/speakers").json()["rows"] == []
