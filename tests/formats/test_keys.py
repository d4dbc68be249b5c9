"""The keys of session.toml: the schema documents them, folder.toml supplies defaults, contradictions are refused."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import jsonschema
import pytest

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import read_session, session_toml
from speakerdb.formats.keys import schema
from speakerdb.session import Price, SessionInfo
from speakerdb.terms import COMPONENTS, KINDS, METHODS
from tests.formats import sessions

FRAME = sessions.response_frame(angles=sessions.ANGLES[::9])

EVERYTHING = """
maker = "Alder Fen"
model = "Sill 5"
slug = "alder-fen-sill-five"
kind = "standmount"
powered = false
drive_voltage_v = 2.83
drive_scale = "relative"
lab = "shed"
method = "gated"
gate_ms = 6
date = 2026-03-01
sample = "0017"
setting = "plain"
repeat = 2
run = "first of March"
calibration = "capsule 3"
default_setting = true
distance_m = 2
level_is = "spl_at_distance"
valid_from_hz = 30
valid_to_hz = 18000
smoothing_oct = "1/24"
symmetric = true
height_mm = 300
width_mm = 180
depth_mm = 250.5
mass_kg = 6
layout = "two-way"
enclosure = "vented"
year = 2024
claimed_max_db = 110
claim_pair = true
claim_distance_m = 1
notes = "in the rain"

[electronics]
bass_db = -2
desk = false
mode = "pure"

[uncertainty]
level = 0.5
calibration = [[30, 1.5], [1000, 0.5]]

[[prices]]
amount = 480
currency = "EUR"
per = "pair"
kind = "list"
date = 2026-01-05
source = "flyer"

[[prices]]
amount = 399.5
currency = "EUR"
per = "pair"
kind = "sale"
"""


def read_toml(folder: Path, text: str) -> SessionInfo:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    FRAME.write_csv(folder / "responses.csv")
    return read_session(folder).info


def refused(folder: Path, text: str) -> list[ErrorItem]:
    with pytest.raises(DataError) as caught:
        read_toml(folder, text)
    return list(caught.value.items)


def minimal(**changes: object) -> str:
    from tests.folders import KEYS, toml_text

    return toml_text({**KEYS, **changes})


def test_every_key_arrives(tmp_path):
    info = read_toml(tmp_path / "s", EVERYTHING)
    assert info == SessionInfo(
        maker="Alder Fen",
        model="Sill 5",
        slug="alder-fen-sill-five",
        kind="standmount",
        powered=False,
        lab="shed",
        method="gated",
        date="2026-03-01",
        sample="0017",
        setting="plain",
        repeat=2,
        run="first of March",
        calibration="capsule 3",
        default_setting=True,
        drive_voltage_v=2.83,
        drive_scale="relative",
        distance_m=2.0,
        level_is="spl_at_distance",
        valid_from_hz=30.0,
        valid_to_hz=18000.0,
        gate_ms=6.0,
        smoothing_oct=1 / 24,
        symmetric=True,
        height_mm=300.0,
        width_mm=180.0,
        depth_mm=250.5,
        mass_kg=6.0,
        layout="two-way",
        enclosure="vented",
        year=2024,
        claimed_max_db=110.0,
        claim_pair=True,
        claim_distance_m=1.0,
        uncertainty={"level": 0.5, "calibration": ((30.0, 1.5), (1000.0, 0.5))},
        electronics={"bass_db": -2.0, "desk": False, "mode": "pure"},
        prices=(Price(480.0, "EUR", "pair", "list", "2026-01-05", "flyer"), Price(399.5, "EUR", "pair", "sale")),
        notes="in the rain",
    )


def test_what_is_not_said_stays_unknown(tmp_path):
    info = read_toml(tmp_path / "s", minimal())
    said = {"maker", "model", "slug", "kind", "powered", "lab", "method", "date", "sample", "setting"}
    assert all(getattr(info, f.name) in (None, False, {}, (), f.default) for f in fields(info) if f.name not in said)


def test_keys_written_out_read_back_the_same(tmp_path):
    session = read_session_of(tmp_path / "a", EVERYTHING)
    assert read_toml(tmp_path / "b", session_toml(session)) == session.info
    odd = (
        minimal(model="5", slug="five")
        + "notes = 'a \"quoted\" text, \\u00e4'\n[electronics]\n\"room size\" = '5 × 4'\n"
    )
    session = read_session_of(tmp_path / "c", odd)
    assert read_toml(tmp_path / "d", session_toml(session)) == session.info


def read_session_of(folder: Path, text: str):
    read_toml(folder, text)
    return read_session(folder)


def test_the_schema_is_valid_and_describes_every_key():
    jsonschema.Draft202012Validator.check_schema(schema())

    def undescribed(part: dict, at: str) -> list[str]:
        found = []
        for name, inner in part.get("properties", {}).items():
            target = {**schema()["$defs"][inner["$ref"].rsplit("/", 1)[1]], **inner} if "$ref" in inner else inner
            if not target.get("description"):
                found.append(f"{at}.{name}")
            found += undescribed(target, f"{at}.{name}")
            found += undescribed(target.get("items", {}), f"{at}.{name}")
        return found

    parts = [schema(), *schema()["$defs"].values()]
    assert [name for part in parts for name in undescribed(part, "")] == []


def test_the_schema_and_the_session_know_the_same_keys():
    properties = schema()["properties"]
    assert set(properties) - {"columns", "traces"} == {f.name for f in fields(SessionInfo)}
    assert properties["kind"]["enum"] == list(KINDS)
    assert properties["method"]["enum"] == list(METHODS)
    assert set(schema()["$defs"]["component_words"]["properties"]) == set(COMPONENTS)
    assert schema()["required"] == ["maker", "model", "kind", "powered", "lab", "method", "date", "sample", "setting"]


@pytest.mark.parametrize(
    ("changes", "key", "found", "expected"),
    [
        ({"maker": ""}, "maker", "empty text", "maker"),
        ({"model": 5}, "model", "5", "text in quotes"),
        ({"kind": "standmont"}, "kind", "'standmont'", "perhaps standmount"),
        ({"powered": "yes"}, "powered", "'yes'", "true or false"),
        ({"date": "1.3.2026"}, "date", "'1.3.2026'", "year-month-day"),
        ({"date": "20260301"}, "date", "'20260301'", "year-month-day"),
        ({"repeat": 0}, "repeat", "0", "at least 1"),
        ({"repeat": 1.5}, "repeat", "1.5", "whole number"),
        ({"distance_m": -1}, "distance_m", "-1", "above 0"),
        ({"mass_kg": float("nan")}, "mass_kg", "nan", "finite"),
        ({"smoothing_oct": "third"}, "smoothing_oct", "'third'", "1/24"),
        ({"slug": "Sill 5"}, "slug", "'Sill 5'", "lower-case"),
        ({"modle": "x"}, "modle", "unknown key", "perhaps model"),
        ({"xyzzy": 1}, "xyzzy", "unknown key", "one of maker"),
        ({"lab": None}, "lab", "nothing", "lab"),
        ({"setting": "?"}, "setting", "still to be filled in", "setting"),
        ({"powered": True, "drive_voltage_v": 2.83}, "drive_voltage_v", "powered", "passive"),
        ({"powered": False}, "drive_voltage_v", "nothing", "voltage"),
        ({"level_is": "spl_at_distance"}, "distance_m", "nothing", "metres"),
        ({"valid_from_hz": 200, "valid_to_hz": 100}, "valid_to_hz", "100", "above"),
        ({"claim_pair": True}, "claimed_max_db", "nothing", "claim_pair"),
    ],
)
def test_a_wrong_key_is_named_with_what_was_expected(tmp_path, changes, key, found, expected):
    (item,) = refused(tmp_path / "s", minimal(**changes))
    assert item.key == key
    assert found in item.found
    assert expected in item.expected
    if found not in {"nothing"}:
        lines = (tmp_path / "s" / "session.toml").read_text().splitlines()
        assert lines[item.line - 1].startswith(key)


@pytest.mark.parametrize(
    ("text", "key", "line"),
    [
        ("[[prices]]\namount = 5\ncurrency = 'EUR'\nper = 'each'\n", "prices[1].kind", 10),
        ("[[prices]]\namount = 5\ncurrency = 'euro'\nper = 'each'\nkind = 'list'\n", "prices[1].currency", 12),
        ("[[prices]]\namount = -5\ncurrency = 'EUR'\nper = 'each'\nkind = 'list'\n", "prices[1].amount", 11),
        ("[[prices]]\namount = 5\ncurrency = 'EUR'\nper = 'each'\nkind = 'list'\ndate = 'May'\n", "prices[1].date", 15),
        ("[uncertainty]\nlevels = 1\n", "uncertainty.levels", 11),
        ("[uncertainty]\nlevel = -1\n", "uncertainty.level", 11),
        ("[uncertainty]\nlevel = [[100, 1], [50, 1]]\n", "uncertainty.level", 11),
        ("[electronics]\nbass = [1, 2]\n", "electronics.bass", 11),
    ],
)
def test_a_wrong_key_in_a_table_is_named_with_its_line(tmp_path, text, key, line):
    (item,) = refused(tmp_path / "s", minimal() + text)
    assert (item.key, item.line) == (key, line)


def test_folder_toml_of_any_parent_supplies_defaults_and_the_nearest_wins(tmp_path):
    folder = tmp_path / "lab" / "may" / "s1"
    folder.mkdir(parents=True)
    (tmp_path / "lab" / "folder.toml").write_text(
        'lab = "shed"\nmethod = "anechoic"\ncalibration = "capsule 1"\n[electronics]\nmode = "a"\nbass_db = 0\n'
    )
    (tmp_path / "lab" / "may" / "folder.toml").write_text(
        'calibration = "capsule 2"\nsample = "1"\n[electronics]\nmode = "b"\n'
    )
    info = read_toml(folder, minimal(lab=None, method=None, sample="2"))
    assert (info.lab, info.method, info.calibration, info.sample) == ("shed", "anechoic", "capsule 2", "2")
    assert info.electronics == {"bass_db": 0.0, "mode": "b"}


def test_an_error_in_a_folder_toml_is_reported_there(tmp_path):
    folder = tmp_path / "s1"
    folder.mkdir()
    (tmp_path / "folder.toml").write_text('lab = "shed"\n\nmethod = "outdoors"\n')
    (item,) = refused(folder, minimal(method=None))
    assert (item.file, item.line, item.key) == ("../folder.toml", 3, "method")


def test_a_folder_toml_above_the_ingested_folder_counts_and_is_told(tmp_path):
    folder = tmp_path / "shelf" / "s1"
    read_toml(folder, minimal())
    (tmp_path / "folder.toml").write_text("symmetric = true\n")
    session = read_session(folder, root=tmp_path / "shelf")
    assert session.info.symmetric
    assert any(str(tmp_path / "folder.toml") in w for w in session.warnings)
    assert read_session(folder, root=tmp_path).warnings == ()


def test_a_gate_of_unknown_length_is_told(tmp_path):
    assert any("gate_ms" in w for w in read_session_of(tmp_path / "a", minimal(method="gated")).warnings)
    assert read_session_of(tmp_path / "b", minimal(method="gated") + "gate_ms = 5\n").warnings == ()
