"""The committed fleet: as many and as various as the story says, readable, and the same whenever it is generated
again."""

from __future__ import annotations

import gzip
from collections import defaultdict
from functools import cache
from pathlib import Path

import netCDF4
import numpy as np
import polars as pl
import pytest

from seed_data.catalogue import catalogue
from seed_data.errors import Errors
from seed_data.generate import FLEET, generate, main
from seed_data.plan import Visit, visits
from speakerdb.formats import read_session
from speakerdb.session import Session, SessionInfo
from speakerdb.terms import KINDS


@cache
def _sessions() -> tuple[Session, ...]:
    return tuple(read_session(folder) for folder in sorted(FLEET.iterdir()) if folder.is_dir())


def test_every_folder_reads_without_error_and_is_planned() -> None:
    assert {visit.folder for visit in visits()} == {Path(session.folder).name for session in _sessions()}
    assert not [warning for session in _sessions() for warning in session.warnings]


def test_folders_bear_the_speakers_slug() -> None:
    for session in _sessions():
        assert Path(session.folder).name.split("_")[0] == session.info.slug


def test_fleet_is_large_and_various_enough() -> None:
    infos = [session.info for session in _sessions()]
    assert len({info.slug for info in infos}) >= 60
    assert len({info.maker for info in infos}) >= 12
    assert 100 <= len(infos) <= 130
    assert {info.kind for info in infos} == set(KINDS)
    names = {Path(source.name).suffixes[-1] for session in _sessions() for source in session.sources}
    assert {".csv", ".gz", ".parquet", ".sofa", ".txt"} <= names


def _all_round() -> list[SessionInfo]:
    """What is said of the sessions that have both orbits, unsmoothed and ungated: what can be learned from."""
    found = (s for s in _sessions() if s.blocks and len(s.blocks[0].angle_deg) >= 72)
    return [
        s.info for s in found if not s.info.smoothing_oct and not s.info.gate_ms and len(s.blocks[0].frequency_hz) > 200
    ]


def _groups(*keys: str) -> list[list[SessionInfo]]:
    groups = defaultdict(list)
    for info in _all_round():
        groups[tuple(getattr(info, key) for key in keys)].append(info)
    return list(groups.values())


def test_every_session_names_its_calibration() -> None:
    benches = {(i.lab, i.method, i.calibration) for i in (s.info for s in _sessions())}
    assert benches >= {("shed", "near-field-scan", "2025-08"), ("attic", "anechoic", "2025-08")}
    assert None not in {calibration for *_, calibration in benches}


def test_eight_speakers_were_measured_twice_in_one_run() -> None:
    pairs = [g for g in _groups("slug", "lab", "method", "calibration", "sample", "setting") if len(g) > 1]
    assert len(pairs) == 8
    for first, second in pairs:
        assert {first.repeat, second.repeat} == {1, 2}
        assert (first.date, first.run) == (second.date, second.run)  # so that they share their level


def test_twelve_specimens_were_carried_from_one_lab_to_the_other() -> None:
    labs = [{(i.lab, i.method) for i in group} for group in _groups("slug", "calibration", "sample", "setting")]
    assert labs.count({("shed", "near-field-scan"), ("attic", "anechoic")}) == 12


def test_seven_speakers_were_measured_in_a_second_specimen_on_the_same_bench() -> None:
    groups = _groups("slug", "lab", "method", "calibration", "setting")
    assert sum(len({i.sample for i in group}) == 2 for group in groups) == 7


def test_speakers_with_switches_have_one_default_setting() -> None:
    settings: dict[str, dict[str, bool]] = defaultdict(dict)
    for session in _sessions():
        settings[session.info.slug][session.info.setting] = session.info.default_setting
    several = {slug: found for slug, found in settings.items() if len(found) > 1}
    assert len(several) >= 10
    assert all(sum(found.values()) == 1 for found in several.values())


def test_some_sessions_lack_what_metrics_need() -> None:
    infos = [session.info for session in _sessions()]
    assert any(info.gate_ms for info in infos)
    assert any(info.smoothing_oct for info in infos)
    assert any(info.level_is == "relative" for info in infos)
    assert any(info.level_is == "spl_at_distance" for info in infos)
    assert any(info.symmetric for info in infos)
    assert any(session.blocks and bool(session.blocks[0].horizontal.all()) for session in _sessions())
    assert any(len(session.blocks[0].frequency_hz) < 40 for session in _sessions() if session.blocks)


def test_lowest_compression_sweep_agrees_with_its_drive() -> None:
    compressed = [session for session in _sessions() if session.compression]
    assert len(compressed) > 20
    for session in compressed:
        sweep = min(session.compression, key=lambda s: s.drive_db)
        low, high = (40, 80) if session.info.kind == "subwoofer" else (300, 3000)
        band = (sweep.frequency_hz >= low) & (sweep.frequency_hz <= high)
        assert np.mean(sweep.level_db[band]) == pytest.approx(sweep.drive_db, abs=0.5), session.folder


def test_horizontal_and_vertical_agree_on_the_axis() -> None:
    for session in _sessions():
        block = session.blocks[0]
        if block.horizontal.all():
            continue
        on_axis = block.level_db[block.angle_deg == 0.0]
        band = (block.frequency_hz >= 300) & (block.frequency_hz <= 10000)
        assert np.mean(np.abs(on_axis[0, band] - on_axis[1, band])) < 0.25, session.folder


def test_horizontal_and_vertical_are_two_readings_of_the_axis() -> None:
    # 0.1 dB each, so a standard deviation of √2·0.1 between them; a SOFA file holds the direction once
    spreads = []
    for session in _sessions():
        block = session.blocks[0]
        on_axis = block.level_db[block.angle_deg == 0.0]
        if len(on_axis) == 2 and block.frequency_hz.size > 100 and not session.info.smoothing_oct:
            once = any(source.name.endswith(".sofa") for source in session.sources)
            spread = np.std(on_axis[0] - on_axis[1])
            assert spread == 0.0 if once else 0.09 < spread < 0.2, session.folder
            spreads.append(spread)
    assert len(spreads) > 60
    assert 0.0 in spreads


def test_fleet_is_small_enough_to_carry() -> None:
    assert sum(file.stat().st_size for file in FLEET.rglob("*") if file.is_file()) < 8_000_000


def test_catalogue_names_are_distinct() -> None:
    names = [(design.maker, design.model) for design in catalogue()]
    assert len(names) == len(set(names))


def _sofa(file: Path) -> dict[str, object]:
    """What a SOFA file holds, but for what wrote it."""
    with netCDF4.Dataset(file) as data:
        held = {name: data.getncattr(name) for name in data.ncattrs() if not name.startswith("Application")}
        held |= {name: (v.dimensions, v.dtype.str, v[...].tobytes()) for name, v in data.variables.items()}
    return held


AGAIN = {
    "the first twenty": visits()[:20],
    "all forms of file": [
        v for v in visits() if v.form in {"csv", "csv.gz", "sofa", "traces"} and v not in visits()[:20]
    ],
}


@pytest.mark.parametrize("chosen", AGAIN.values(), ids=AGAIN)
def test_generating_again_gives_the_same_bytes(chosen: list[Visit], tmp_path: Path) -> None:
    for folder in generate(tmp_path, chosen, Errors()):
        committed = FLEET / folder.name
        names = {file.relative_to(folder) for file in folder.rglob("*") if file.is_file()}
        assert names == {file.relative_to(committed) for file in committed.rglob("*") if file.is_file()}
        for name in names:
            again, before = folder / name, committed / name
            if name.suffix == ".gz":  # the packer's version may differ, what is packed may not
                assert gzip.decompress(again.read_bytes()) == gzip.decompress(before.read_bytes()), before
            elif name.suffix == ".parquet":
                assert pl.read_parquet(again).equals(pl.read_parquet(before)), before
            elif name.suffix == ".sofa":  # it names the version of Python that wrote it
                assert _sofa(again) == _sofa(before), before
            else:
                assert again.read_bytes() == before.read_bytes(), before


def test_another_seed_gives_the_same_plan_and_other_errors(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["--out", str(tmp_path), "--first", "1", "--seed", "another"])
    assert "1 sessions" in capsys.readouterr().out
    folder = next(tmp_path.iterdir())
    assert (folder / "session.toml").read_bytes() == (FLEET / folder.name / "session.toml").read_bytes()
    errors = [pl.read_parquet(root / folder.name / "responses.parquet")["level_db"] for root in (tmp_path, FLEET)]
    assert 0.1 < (errors[0] - errors[1]).std() < 2.0
