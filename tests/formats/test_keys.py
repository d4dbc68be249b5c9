"""The keys of session.toml: the schema documents them, folder.toml supplies defaults, contradictions are refused."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import jsonschema
import pytest

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import read_session, session_toml
from speakerdb.formats.keys import schema
from speakerdb.session import Band, Price, SessionInfo
from speakerdb.terms import BAND_METHODS, COMPONENTS, KINDS, METHODS
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

[[bands]]
from_hz = 400
to_hz = 18000
method = "gated"

[[bands]]
from_hz = 30
to_hz = 400
method = "near-field"

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


def read_toml(folder: Path, text: str, root: Path | None = None) -> SessionInfo:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    FRAME.write_csv(folder / "responses.csv")
    return read_session(folder, root).info


def refused(folder: Path, text: str, root: Path | None = None) -> list[ErrorItem]:
    with pytest.raises(DataError) as caught:
        read_toml(folder, text, root)
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
        bands=(Band(30.0, 400.0, "near-field"), Band(400.0, 18000.0, "gated", 6.0)),
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
    assert set(properties) - {"columns", "traces", "confirmed"} == {f.name for f in fields(SessionInfo)}
    assert properties["kind"]["enum"] == list(KINDS)
    assert properties["method"]["enum"] == list(METHODS)
    assert tuple(schema()["properties"]["bands"]["items"]["properties"]["method"]["enum"]) == BAND_METHODS
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
    info = read_toml(folder, minimal(lab=None, method=None, sample="2"), tmp_path)
    assert (info.lab, info.method, info.calibration, info.sample) == ("shed", "anechoic", "capsule 2", "2")
    assert info.electronics == {"bass_db": 0.0, "mode": "b"}


def test_an_error_in_a_folder_toml_is_reported_there(tmp_path):
    folder = tmp_path / "s1"
    folder.mkdir()
    (tmp_path / "folder.toml").write_text('lab = "shed"\n\nmethod = "outdoors"\n')
    (item,) = refused(folder, minimal(method=None), tmp_path)
    assert (item.file, item.line, item.key) == ("../folder.toml", 3, "method")


def test_a_folder_toml_above_the_ingested_folder_does_not_count_and_is_told(tmp_path):
    folder = tmp_path / "shelf" / "s1"
    read_toml(folder, minimal())
    (tmp_path / "folder.toml").write_text("symmetric = true\n")
    session = read_session(folder, root=tmp_path / "shelf")
    assert not session.info.symmetric
    assert any(str(tmp_path / "folder.toml") in w for w in session.warnings)
    assert read_session(folder, root=tmp_path).warnings == ()
    assert read_session(folder, root=tmp_path).info.symmetric
    lab, hint = refused(folder, minimal(lab=None), tmp_path / "shelf")
    assert lab.key == "lab"
    assert str(tmp_path / "folder.toml") in str(hint.found)


def band(from_hz, to_hz, method="gated", **more):
    return "[[bands]]\n" + "".join(
        f"{k} = {v!r}\n" for k, v in {"from_hz": from_hz, "to_hz": to_hz, "method": method, **more}.items()
    )


NEAR = band(20, 350, "near-field")
WELL = NEAR + band(350, 20000, gate_ms=4.4)


def test_what_a_gate_takes_is_told(tmp_path):
    (unknown,) = read_session_of(tmp_path / "a", minimal(method="gated")).warnings
    assert "gate_ms" in unknown
    assert "nothing below 571 Hz counts, as of a gate of 3.5 ms" in unknown
    (unknown,) = read_session_of(tmp_path / "b", minimal(method="gated", valid_from_hz=300)).warnings
    assert "counts" not in unknown
    (cut,) = read_session_of(tmp_path / "c", minimal(method="gated", gate_ms=5)).warnings
    assert cut.startswith("a gate of 5 ms: nothing below 400 Hz counts (2/gate_ms)")
    for name, keys in (("d", {"valid_from_hz": 400}), ("e", {"valid_from_hz": 500})):
        assert read_session_of(tmp_path / name, minimal(method="gated", gate_ms=5, **keys)).warnings == ()
    assert read_session_of(tmp_path / "f", minimal(method="gated") + WELL).warnings == ()
    (cut,) = read_session_of(tmp_path / "g", minimal(method="gated") + band(300, 20000, gate_ms=4)).warnings
    assert "nothing below 500 Hz counts" in cut


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (NEAR + band(300, 20000, gate_ms=4.4), [("bands[2].from_hz", "an overlap with", "from_hz = 350")]),
        (band(400, 20000, gate_ms=4.4) + NEAR, [("bands[1].from_hz", "a gap above", "from_hz = 350")]),
        (band(350, 350, "near-field"), [("bands[1].to_hz", "350, not above from_hz = 350", "above 350")]),
        (band(20, 350, "nearfield"), [("bands[1].method", "'nearfield'", "perhaps near-field")]),
        (NEAR + band(350, 20000), [("bands[2].gate_ms", "nothing", "length in milliseconds")]),
        (
            band(20, 200, "near-field") + band(200, 20000, gate_ms=4.4),
            [("bands[2].from_hz", "tells nothing below 227.3 Hz", "227.3 or more")],
        ),
        (band(20, 350, "near-field", gate_ms=500), [("bands[1].gate_ms", "not gated", "gated band only")]),
        ("bands = []\n", [("bands", "[]", "each written `[[bands]]`")]),
        ("[[bands]]\nfrom_hz = 20\nmethod = 'other'\n", [("bands[1].to_hz", "nothing", "where the band ends")]),
        (
            band(20, 10, "near-field", gate_ms=1)
            + band(100, 2000)
            + band(3000, 20000, gate_ms=0.2)
            + band(20000, 21000, "nearfield"),
            [
                ("bands[4].method", "'nearfield'", "perhaps near-field"),
                ("bands[1].to_hz", "10, not above", "above 20"),
                ("bands[1].gate_ms", "1 in a band that is not gated", "gated band only"),
                ("bands[2].gate_ms", "nothing", "milliseconds"),
                ("bands[3].from_hz", "tells nothing below 5000 Hz", "5000 or more"),
                ("bands[2].from_hz", "a gap above", "from_hz = 10"),
                ("bands[3].from_hz", "a gap above", "from_hz = 2000"),
            ],
        ),
    ],
    ids=[
        "overlap",
        "gap",
        "ends",
        "method",
        "no gate",
        "below 1/T",
        "near-field gate",
        "none",
        "no end",
        "all at once",
    ],
)
def test_bands_that_can_not_be_are_named_with_what_to_write(tmp_path, text, found):
    items = refused(tmp_path / "s", minimal() + text)
    assert [i.key for i in items] == [key for key, _, _ in found]
    for item, (_, was, expected) in zip(items, found, strict=True):
        assert was in item.found
        assert expected in item.expected
    if "[[bands]]" in text:
        lines = (tmp_path / "s" / "session.toml").read_text().splitlines()
        for item in items:  # the key's own line, or that of the table that lacks it
            number, key = re.fullmatch(r"bands\[(\d)\]\.(\w+)", item.key).groups()
            row = lines[item.line - 1]
            assert row.startswith(key) if item.found != "nothing" else row == "[[bands]]"
            assert lines[: item.line].count("[[bands]]") == int(number)


def test_a_gate_without_a_gated_band_is_a_contradiction(tmp_path):
    items = refused(tmp_path / "s", minimal(method="gated", gate_ms=4) + NEAR)
    assert [i.key for i in items] == ["gate_ms", "method"]
    assert all("none of [[bands]] is gated" in i.found for i in items)


def test_bands_of_a_folder_toml_hold_for_all_below_and_the_nearest_replace_them_whole(tmp_path):
    (tmp_path / "folder.toml").write_text('method = "gated"\ngate_ms = 4.4\n' + WELL)
    info = read_toml(tmp_path / "a", minimal(method=None), tmp_path)
    assert info.bands == (Band(20.0, 350.0, "near-field"), Band(350.0, 20000.0, "gated", 4.4))
    # the gate's length comes from above
    info = read_toml(tmp_path / "b", minimal(method=None) + band(20, 500, "ground-plane") + band(500, 18000), tmp_path)
    assert info.bands == (Band(20.0, 500.0, "ground-plane"), Band(500.0, 18000.0, "gated", 4.4))
