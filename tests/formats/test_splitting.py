"""Several sessions whose files lie in one folder, told apart by {session} in their names."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

import speakerdb
from speakerdb.errors import DataError
from speakerdb.formats import content_hash, find_sessions, propose, read_session, read_sheet, read_sources
from tests.folders import KEYS
from tests.formats import sessions
from tests.formats.test_traces import write_traces

ANGLES = sessions.ANGLES[1::3]
MODELS = {"Sill 5": 1, "Vale 30": 2, "Box-h": 3}
TOML = '[traces]\npattern = "{session}_{orbit}_{angle}.txt"\n'


def shelf(root: Path, toml: str = TOML, name: str = "{orbit}_{angle}.txt") -> Path:
    """Three speakers in one folder, and a sheet that names them."""
    for model, seed in MODELS.items():
        write_traces(root, f"{model}_{name}", frame=sessions.response_frame(seed=seed, angles=ANGLES))
    if toml:
        (root / "folder.toml").write_text(toml)
    rows = [{"folder": f"{root.name}/{m}", **KEYS, "model": m, "powered": "yes"} for m in MODELS]
    with open(root.parent / "sessions.csv", "w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return root


def test_each_is_found_and_read_as_a_session_of_its_own(tmp_path):
    root = shelf(tmp_path / "all")
    sheet = read_sheet(tmp_path / "sessions.csv")
    assert [p.name for p in find_sessions(root, sheet)] == sorted(MODELS)
    for model, seed in MODELS.items():
        session = read_session(root / model, tmp_path, sheet)
        frame = sessions.response_frame(seed=seed, angles=ANGLES)
        plain = read_session(sessions.write_plain(tmp_path / f"plain {model}", frame))
        assert session.info.model == model
        assert content_hash(session) == content_hash(plain)
        assert content_hash(read_sources("kept", session.sources)) == content_hash(plain)
        assert all(model in e.file for e in session.ledger if e.read_as != "keys")


def test_they_are_stored_and_known_again(tmp_path):
    root = shelf(tmp_path / "all")
    with speakerdb.open(tmp_path / "speakers.duckdb", write=True) as base:
        results = base.ingest(root, sheet=tmp_path / "sessions.csv")
        assert [r.result for r in results] == ["stored"] * 3
        assert [r.result for r in base.ingest(root, sheet=tmp_path / "sessions.csv")] == ["already"] * 3


def test_a_name_that_is_none_of_them_is_no_folder(tmp_path):
    root = shelf(tmp_path / "all")
    with pytest.raises(DataError, match="no such folder"):
        read_session(root / "Vale 31")


def test_without_the_field_they_are_not_merged(tmp_path):
    root = shelf(tmp_path / "all", '[traces]\npattern = "*_{orbit}_{angle}.txt"\n')
    sessions.write_keys(root)
    with pytest.raises(DataError, match="a second time"):
        read_session(root)


@pytest.mark.parametrize("pattern", ["{session}*_{angle}.txt", "{session}{angle}.txt", "{session}_{session}.txt"])
def test_where_a_session_ends_must_be_told(tmp_path, pattern):
    root = shelf(tmp_path / "all", f'[traces]\npattern = "{pattern}"\n')
    sessions.write_keys(root)
    with pytest.raises(DataError, match="where it ends"):
        read_session(root)


def test_a_proposal_tells_them_apart(tmp_path):
    found = propose(shelf(tmp_path / "all", ""))
    assert 'pattern = "{session}_{orbit}_{angle}.txt"' in found.toml_text
    assert list(found.folders) == sorted(MODELS)
    assert len(found.curves) == 3
