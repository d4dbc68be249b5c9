"""Small databases for the sheet and the draft: a field of ten with odd ones among them, and one with a single
speaker."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import speakerdb
from speakerdb.library import Database
from tests.folders import FREQUENCY_HZ, write_session
from tests.once import copy_of

AWKWARD = {
    "script": ("<script>alert(1)</script>", "</style><img src=x onerror=alert(2)>"),
    "quotes": ("Quote \" and ' of", "{{ 7*7 }} | _b_ [c](d)"),
    "rtl": ("مكبر الصوت", "٥ 🔊"),
}


def write_sweeps(folder: Path, drives: tuple[float, ...] = (76.0, 86.0, 96.0, 102.0)) -> None:
    """Distortion that rises with drive, compression that sets in above 86 dB."""
    distortion, compression = ["drive_db,frequency_hz,component,level_db"], ["drive_db,frequency_hz,level_db"]
    for drive in drives:
        loss = 0.01 * max(drive - 86.0, 0.0) ** 2
        for f in FREQUENCY_HZ[::4]:
            level = -60.0 + 0.9 * (drive - 76.0) + 20.0 / (1.0 + (f / 80.0) ** 2)
            distortion.append(f"{drive},{f:.3f},thd,{level:.2f}")
            shape = -10.0 * np.log10(1.0 + (50.0 / f) ** 4)
            compression.append(f"{drive},{f:.3f},{drive + shape - loss:.2f}")
    (folder / "distortion.csv").write_text("\n".join(distortion) + "\n")
    (folder / "compression.csv").write_text("\n".join(compression) + "\n")


def keep_horizontal(folder: Path) -> None:
    """Take the vertical orbit out of a session's curves."""
    file = folder / "responses.csv"
    kept = [line for line in file.read_text().splitlines() if ",vertical," not in line]
    file.write_text("\n".join(kept) + "\n")


def toml(text: str) -> str:
    """The inside of a TOML string."""
    return json.dumps(text, ensure_ascii=False)[1:-1]


def fill(root: Path) -> Path:
    """Ten monitors from 30 to 75 Hz; Sill 2 has sweeps, two settings, sizes and prices; three have awkward names."""
    for i in range(7):
        write_session(
            root / f"s{i}",
            bass_hz=30.0 + 5.0 * i,
            narrowing=0.8 + 0.1 * i,
            model=f"Sill {i}",
            kind="monitor",
            year=2010 + i,
            height_mm=300,
            width_mm=200,
            depth_mm=250,
            mass_kg=9.5,
        )
    write_sweeps(root / "s2")
    write_session(
        root / "s2b", bass_hz=55.0, narrowing=1.0, model="Sill 2", kind="monitor", setting="desk <b>", date="2026-03-02"
    )
    for i, (slug, (maker, model)) in enumerate(AWKWARD.items()):
        write_session(
            root / slug,
            bass_hz=65.0 + 5.0 * i,
            maker=toml(maker),
            model=toml(model),
            slug=slug,
            kind="monitor",
            notes=toml('Notes with <b>markup</b> & "quotes"'),
        )
    keep_horizontal(write_session(root / "flat", model="Flat", kind="soundbar"))
    return root


@pytest.fixture(scope="session")
def field_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of("field", _field, tmp_path_factory) / "speakers.duckdb"


def _field(root: Path) -> None:
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        results = base.ingest(fill(root / "in"))
        assert [r.result for r in results] == ["stored"] * len(results), [r.errors for r in results]
        base.work_out()


@pytest.fixture(scope="session")
def field(field_file: Path) -> Iterator[Database]:
    with speakerdb.open(field_file) as base:
        yield base


@pytest.fixture(scope="session")
def lonely(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    root = tmp_path_factory.mktemp("lonely")
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(write_session(root / "in" / "one"))
    with speakerdb.open(root / "speakers.duckdb") as base:
        yield base
