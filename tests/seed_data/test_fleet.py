"""The committed fleet: as many and as various as the story says, readable, and the same whenever it is generated again."""

from __future__ import annotations

import gzip
from collections import defaultdict
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from seed_data.catalogue import catalogue
from seed_data.generate import FLEET, generate, main
from seed_data.plan import visits
from speakerdb.formats import read_session
from speakerdb.session import KINDS, Session


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


def test_two_labs_share_speakers_and_specimens_and_repeats_exist() -> None:
    labs, specimens = defaultdict(set), defaultdict(set)
    for session in _sessions():
        labs[session.info.slug].add(session.info.lab)
        specimens[session.info.slug].add(session.info.sample)
    assert sum(len(found) == 2 for found in labs.values()) >= 8
    assert sum(len(found) == 2 for found in specimens.values()) >= 5
    assert sum(session.info.repeat == 2 for session in _sessions()) >= 5


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
    for session in _sessions():
        if session.compression:
            sweep = min(session.compression, key=lambda s: s.drive_db)
            band = (sweep.frequency_hz >= 300) & (sweep.frequency_hz <= 3000)
            assert np.mean(sweep.level_db[band]) == pytest.approx(sweep.drive_db, abs=0.5), session.folder


def test_horizontal_and_vertical_agree_on_the_axis() -> None:
    for session in _sessions():
        block = session.blocks[0] if session.blocks else None
        if block is None or block.horizontal.all():
            continue
        on_axis = block.level_db[block.angle_deg == 0.0]
        band = (block.frequency_hz >= 300) & (block.frequency_hz <= 10000)
        assert np.mean(np.abs(on_axis[0, band] - on_axis[1, band])) < 0.5, session.folder


def test_fleet_is_small_enough_to_carry() -> None:
    assert sum(file.stat().st_size for file in FLEET.rglob("*") if file.is_file()) < 8_000_000


def test_catalogue_names_are_distinct() -> None:
    names = [(design.maker, design.model) for design in catalogue()]
    assert len(names) == len(set(names))


FORMS_AGAIN = (
    "dunnock-yard-bradawl-4_shed", "rushbarrow-alcove-8", "gannetmoor-gimlet-across", "cobblehurst-pantry",
)  # fmt: skip


@pytest.mark.parametrize("name", FORMS_AGAIN)
def test_generating_again_gives_the_same_bytes(name: str, tmp_path: Path) -> None:
    chosen = [visit for visit in visits() if visit.folder.startswith(name)]
    for folder in generate(tmp_path, chosen):
        for file in folder.rglob("*"):
            committed = FLEET / file.relative_to(tmp_path)
            if file.is_dir():
                continue
            if file.suffix == ".gz":  # the packer's version may differ, what is packed may not
                assert gzip.decompress(file.read_bytes()) == gzip.decompress(committed.read_bytes()), file.name
            elif file.suffix == ".parquet":
                assert pl.read_parquet(file).equals(pl.read_parquet(committed)), file.name
            else:
                assert file.read_bytes() == committed.read_bytes(), file.name


def test_generator_runs_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["--out", str(tmp_path), "--first", "1"])
    assert "1 sessions" in capsys.readouterr().out
    assert next(tmp_path.iterdir()).joinpath("session.toml").is_file()
