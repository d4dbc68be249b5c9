"""compare, tradeoff, trend, percentile, labs: JSON answers to its schema, text reads, errors say what is wrong."""

from __future__ import annotations

import json
import shutil

import jsonschema
import pytest

import speakerdb as speakerdb_package
from speakerdb.resources import resource_dir
from tests.folders import write_session


def check(command, document):
    schema = json.loads((resource_dir("schemas") / "cli" / f"{command}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)


@pytest.fixture(scope="module")
def twelve(tmp_path_factory):
    """A database of twelve speakers of six makers; sill-0 in two settings, sill-1 to sill-3 measured by two labs."""
    root = tmp_path_factory.mktemp("twelve")
    for i in range(12):
        write_session(root / "in" / f"s{i}", bass_hz=30.0 + 4.0 * i, narrowing=0.8 + 0.05 * i, model=f"Sill {i}",
                      maker=f"Alder {chr(65 + i // 2)}", kind="bookshelf", year=2010 + i, height_mm=200 + 10 * i,
                      width_mm=200, depth_mm=250, layout="two-way" if i % 2 else "three-way", slug=f"sill-{i}",
                      lab="barn" if i >= 8 else "shed", default_setting=True)  # fmt: skip
    write_session(root / "in" / "desk", bass_hz=30.0, tilt_db=-0.5, model="Sill 0", maker="Alder A", kind="bookshelf",
                  slug="sill-0", setting="desk")  # fmt: skip
    for i in (1, 2, 3):
        write_session(root / "in" / f"barn{i}", bass_hz=30.0 + 4.0 * i, narrowing=0.8 + 0.05 * i, model=f"Sill {i}",
                      maker=f"Alder {chr(65 + i // 2)}", kind="bookshelf", slug=f"sill-{i}", lab="barn", year=2010 + i,
                      tilt_db=0.1 * i, default_setting=True)  # fmt: skip
    prices = ["speaker,name,value,currency,per,date,source"]
    prices += [f"sill-{i},price_street,{300 + 130 * i},EUR,pair,2026-01-01,shop" for i in range(12)]
    (root / "facts.csv").write_text("\n".join(prices) + "\n", encoding="utf-8")
    with speakerdb_package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.bring_facts(root / "facts.csv")
        base.work_out()
    return root


@pytest.fixture
def filled(speakerdb, tmp_path, twelve):
    """The command, with the twelve in ./speakers.duckdb."""
    shutil.copy(twelve / "speakers.duckdb", tmp_path)
    return speakerdb


@pytest.mark.parametrize(
    "arguments",
    [
        "compare sill-0 sill-5",
        "compare sill-0 sill-5 sill-8 --metric f6_hz",
        "compare sill-0@plain sill-0@desk",
        "tradeoff price f6_hz",
        "tradeoff volume_l preference --kind bookshelf --top 3",
        "tradeoff price max_level_db",
        "labs",
        "labs --metric f6_hz --metric max_level_db",
        "percentile sill-5",
        "percentile sill-5 --factor 10 --metric f6_hz",
        "trend f6_hz --over year",
        "trend f6_hz preference --over price --kind bookshelf",
        "trend f6_hz --over layout",
        "trend max_level_db --over year",
        "trend f6_hz --over beamwidth_horizontal_deg",
    ],
)
def test_every_answer_fits_its_schema_and_its_text_reads(filled, arguments):
    words = arguments.split()
    answer = filled(*words, "--json")
    assert answer.code == 0, answer.err
    check(words[0], answer.document)
    plain = filled(*words)
    assert plain.code == 0
    assert "state " in plain.out
    assert not {"nan", "none", "inf"} & set(plain.out.lower().split())


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ("compare sill-0", 1, "two different speakers"),
        ("compare sill-0 sill-0", 1, "two different speakers"),
        ("compare sill-0 sill-0@loft", 1, "no setting 'loft'"),
        ("compare sill-0 sill-5 --metric nonsense", 1, "nonsense"),
        ("tradeoff price di_power_mean_db", 1, "neither direction is better"),
        ("tradeoff price nonsense", 1, "nonsense"),
        ("labs --metric nonsense", 1, "nonsense"),
        ("percentile sill-5 --query nonsense", 1, "nonsense"),
        ("trend f6_hz --over f6_hz", 1, "over itself"),
        ("trend f6_hz --over colour", 1, "colour"),
        ("trend f6_hz --over year --all-settings", 1, "one row per speaker"),
    ],
)
def test_errors_say_what_is_wrong(filled, arguments, code, message):
    answer = filled(*arguments.split(), "--json")
    assert answer.code == code
    check("error", answer.document)
    assert message in answer.document["error"]["message"]


def test_compare_gives_the_difference_that_was_built_in(filled):
    (row,) = filled("compare", "sill-0", "sill-5", "--metric", "f3_hz", "--json").document["rows"]
    # a second-order high-pass is 3 dB down at its corner: 30 and 50 Hz
    assert row["difference"] == pytest.approx(-20.0, abs=2.5)
    assert row["p_a_better"] > 0.99
    assert (row["differs"], row["matters"]) == (True, "yes")


def test_two_settings_of_one_sample_are_compared_more_sharply_than_two_samples(filled):
    own = filled("compare", "sill-0@plain", "sill-0@desk", "--metric", "treble_balance_db", "--json").document
    other = filled("compare", "sill-0", "sill-5", "--metric", "treble_balance_db", "--json").document
    assert own["rows"][0]["se"] < 0.6 * other["rows"][0]["se"]
    assert "unit measured" in own["about"]
    assert "models" in other["about"]


def test_in_a_fleet_where_the_dearer_reach_less_low_only_the_cheapest_is_on_the_frontier(filled):
    document = filled("tradeoff", "price", "f6_hz", "--json").document
    assert len(document["rows"]) == 12
    first = document["rows"][0]
    assert (first["speaker"], first["p_frontier"], first["unit_x"], first["unit"]) == ("sill-0", 1.0, "EUR", "Hz")
    assert document["rows"][-1]["p_frontier"] < 0.5
    assert all(r["expected"] is not None for r in document["rows"] if r["y_censored"] == "none")


def test_the_bass_limit_that_rises_year_by_year_is_told_with_its_interval(filled):
    (found,) = filled("trend", "f6_hz", "--over", "year", "--json").document["trends"]
    slope = found["slope"]
    assert (slope["speakers"], slope["makers"], slope["unit"], slope["per"]) == (12, 6, "%", "10 years")
    assert 50 < slope["low"] < slope["high"]
    assert len(found["points"]) == 12
    assert any("random sample" in caution for caution in found["cautions"])


def test_the_lowest_reaching_leaves_all_its_peers_behind(filled):
    document = filled("percentile", "sill-0", "--factor", "10", "--metric", "f3_hz", "--json").document
    (row,) = document["rows"]
    assert len(document["peers"]) == row["peers"] - 1 == 11
    assert row["percentile"] == row["high"] == 100.0
    assert row["low"] >= 50
    near = filled("percentile", "sill-0", "--factor", "1.2", "--metric", "f3_hz", "--json").document["rows"][0]
    assert near["percentile"] is None
    assert "at least 8" in near["reason"]


def test_labs_that_measure_the_same_samples_are_compared_by_these_alone(filled):
    document = filled("labs", "--metric", "treble_balance_db", "--json").document
    (pair,) = document["pairs"]
    assert pair == {"lab_a": "barn", "lab_b": "shed", "speakers": ["sill-1", "sill-2", "sill-3"]}
    (row,) = document["rows"]
    # barn's sessions were tilted by 0.1, 0.2, 0.3 dB per octave; 4–16 kHz lies some 3 octaves above 300 Hz–3 kHz
    assert 0.3 < row["offset"] < 0.9
    (curve,) = document["curves"]
    assert curve["same_sample"] == 3
    assert len(curve["offset_db"]) == len(document["frequency_hz"]) == 199


def test_with_one_lab_there_is_nothing_to_compare(speakerdb, tmp_path):
    write_session(tmp_path / "in")
    speakerdb("ingest", "in")
    answer = speakerdb("labs", "--json")
    assert answer.code == 1
    assert "by two labs" in answer.document["error"]["message"]
