"""compare, tradeoff, trend, percentile, labs: JSON answers to its schema, text reads, errors say what is wrong."""

from __future__ import annotations

import shutil

import pytest

import speakerdb as speakerdb_package
from tests.cli.checking import check
from tests.folders import write_session
from tests.once import copy_of


@pytest.fixture(scope="module")
def twelve(tmp_path_factory):
    """A database of twelve speakers of six makers; sill-0 in two settings, sill-1 to sill-3 measured by two labs."""
    return copy_of("twelve", _write_twelve, tmp_path_factory)


def _write_twelve(root):
    for i in range(12):
        write_session(
            root / "in" / f"s{i}",
            bass_hz=30.0 + 4.0 * i,
            narrowing=0.8 + 0.05 * i,
            model=f"Sill {i}",
            maker=f"Alder {chr(65 + i // 2)}",
            kind="bookshelf",
            year=2010 + i,
            height_mm=200 + 10 * i,
            width_mm=200,
            depth_mm=250,
            layout="two-way" if i % 2 else "three-way",
            slug=f"sill-{i}",
            lab="barn" if i >= 8 else "shed",
            default_setting=True,
        )
    write_session(
        root / "in" / "desk",
        bass_hz=30.0,
        tilt_db=-0.5,
        model="Sill 0",
        maker="Alder A",
        kind="bookshelf",
        slug="sill-0",
        setting="desk",
    )
    for i in (1, 2, 3):
        write_session(
            root / "in" / f"barn{i}",
            bass_hz=30.0 + 4.0 * i,
            narrowing=0.8 + 0.05 * i,
            model=f"Sill {i}",
            maker=f"Alder {chr(65 + i // 2)}",
            kind="bookshelf",
            slug=f"sill-{i}",
            lab="barn",
            year=2010 + i,
            tilt_db=0.1 * i,
            default_setting=True,
        )
    prices = ["speaker,name,value,currency,per,date,source"]
    prices += [f"sill-{i},price_street,{300 + 130 * i},EUR,pair,2026-01-01,shop" for i in range(12)]
    (root / "facts.csv").write_text("\n".join(prices) + "\n", encoding="utf-8")
    with speakerdb_package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.bring_facts(root / "facts.csv")
        base.work_out()


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
        "compare sill-1 sill-9 --absolute --metric f6_hz --metric flatness_window_db",
        "compare sill-1 sill-9 --another-unit --metric f6_hz --metric max_level_db",
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
        ("compare sill-0", 2, "two to 20 different speakers"),
        ("compare sill-0 sill-0", 2, "two to 20 different speakers"),
        ("compare sill-0 sill-0@loft", 1, "no setting 'loft'"),
        ("compare sill-0 sill-5 --metric nonsense", 1, "nonsense"),
        ("compare sill-0 sill-5 --absolute --another-unit", 2, "can't both be"),
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


def test_compare_gives_the_ratio_that_was_built_in(filled):
    (row,) = filled("compare", "sill-0", "sill-5", "--metric", "f3_hz", "--json").document["rows"]
    # a second-order high-pass is 3 dB down at its corner: 30 and 50 Hz
    assert row["ratio"]
    assert row["difference"] == pytest.approx(0.6, rel=0.08)
    assert row["difference"] == pytest.approx(row["value_a"] / row["value_b"])
    assert row["p_a_better"] > 0.99
    assert (row["differs"], row["matters"]) == (True, "yes")


def test_every_row_names_what_it_rests_on_and_its_interval_and_p_agree(filled):
    # sill-1 was measured in shed and barn, sill-0 in shed, sill-9 in barn
    for other, lab in (("sill-0", "shed"), ("sill-9", "barn")):
        rows = filled("compare", "sill-1", other, "--json").document["rows"]
        assert {r["contrast"] for r in rows} <= {"one run", "one lab", "all"}
        balance = next(r for r in rows if r["metric"] == "treble_balance_db")
        assert (balance["contrast"], lab in balance["because"]) == ("one lab", True)
        for r in rows:
            none = 1.0 if r["ratio"] else 0.0
            low, high = (r["low"] if r["low"] is not None else -1e9), (r["high"] if r["high"] is not None else 1e9)
            assert (low > none or high < none) == (r["p"] < 0.05) == r["differs"], r["metric"]


def test_in_one_lab_the_bench_cancels_and_between_two_it_counts(filled):
    near, far = (
        filled("compare", "sill-0", other, "--metric", "treble_balance_db", "--json").document["rows"][0]
        for other in ("sill-5", "sill-9")
    )
    assert near["high"] - near["low"] < 0.6 * (far["high"] - far["low"])
    assert "different labs" in far["because"]


def test_another_unit_adds_what_samples_differ_by_but_not_between_settings_of_one(filled):
    def width(*arguments):
        (row,) = filled("compare", *arguments, "--metric", "treble_balance_db", "--json").document["rows"]
        return row["high"] - row["low"]

    assert width("sill-0", "sill-5", "--another-unit") > 1.5 * width("sill-0", "sill-5")
    own = width("sill-0@plain", "sill-0@desk")
    assert width("sill-0@plain", "sill-0@desk", "--another-unit") == pytest.approx(own, rel=0.1)


def test_the_text_counts_what_can_be_told(filled):
    outcome = filled("compare", "sill-0", "sill-5", "--metric", "f3_hz")
    assert "The difference can be told." in outcome.out
    assert "× 0.6" in outcome.out
    many = filled("compare", "sill-0", "sill-5")
    document = filled("compare", "sill-0", "sill-5", "--json").document
    assert f"{document['real']} of {len(document['rows'])}" in many.out or "taken together" in many.out


def test_in_a_fleet_where_the_dearer_reach_less_low_only_the_cheapest_is_on_the_frontier(filled):
    document = filled("tradeoff", "price", "f6_hz", "--json").document
    assert len(document["rows"]) == 12
    first = document["rows"][0]
    assert (first["speaker"], first["p_frontier"], first["unit_x"], first["unit"]) == ("sill-0", 1.0, "EUR", "Hz")
    assert document["rows"][-1]["p_frontier"] < 0.5
    assert all(r["expected"] is not None for r in document["rows"] if r["y_censored"] == "none")


def test_six_makers_who_each_sold_in_two_years_are_too_few_for_an_interval_of_the_rise(filled):
    answer = filled("trend", "f6_hz", "--over", "year", "--json")
    (found,) = answer.document["trends"]
    slope = found["slope"]
    assert (slope["speakers"], slope["makers"], slope["unit"], slope["per"]) == (12, 6, "%", "10 years")
    assert slope["effect"] > 50
    assert slope["reason"].startswith("too few makers to tell: df ")
    assert (slope["low"], slope["high"], slope["p"], slope["q"]) == (None,) * 4
    assert len(found["points"]) == 12
    assert any("random sample" in caution for caution in found["cautions"])
    assert "no interval: too few makers to tell" in filled("trend", "f6_hz", "--over", "year").out


def test_groups_tell_their_makers_and_whether_all_are_alike(filled):
    groups = filled("trend", "f6_hz", "--over", "layout", "--json").document["trends"][0]["groups"]
    assert [(g["group"], g["speakers"], g["makers"], g["makers_of_both"]) for g in groups] == [
        ("three-way", 6, 6, 6),
        ("two-way", 6, 6, 6),
    ]
    assert all(g["p"] is not None for g in groups)
    text = filled("trend", "f6_hz", "--over", "layout").out
    assert "makers of both" in text
    assert "That all groups are alike: p = " in text


def test_the_lowest_reaching_is_first_among_its_peers(filled):
    document = filled("percentile", "sill-0", "--factor", "10", "--metric", "f3_hz", "--json").document
    (row,) = document["rows"]
    assert len(document["peers"]) == row["of"] - 1 == 11
    assert (row["place"], row["place_low"]) == (1, 1)
    assert row["place_high"] <= 3
    assert "1st" in filled("percentile", "sill-0", "--factor", "10", "--metric", "f3_hz").out


def test_too_few_peers_make_the_group_wider_and_it_says_so(filled):
    (row,) = filled("percentile", "sill-0", "--factor", "1.2", "--metric", "f3_hz", "--json").document["rows"]
    assert (row["among"], row["of"]) == ("kind bookshelf", 12)
    assert "too few" in filled("percentile", "sill-0", "--factor", "1.2", "--metric", "f3_hz").out


def test_with_one_lab_there_is_nothing_to_compare(speakerdb, tmp_path):
    write_session(tmp_path / "in")
    speakerdb("ingest", "in")
    answer = speakerdb("labs", "--json")
    assert answer.code == 1
    assert "on two benches" in answer.document["error"]["message"]


@pytest.mark.parametrize(
    "arguments",
    [
        "list",
        "table",
        "show sill-0",
        "rank f6_hz",
        "match sill-0",
        "compare sill-0 sill-5",
        "percentile sill-0",
        "tradeoff price preference",
        "trend f6_hz --over kind",
        "shortlist --distance 3 --volume 60 --level 95",
        "settings sill-0",
        "explain sill-0 f6_hz",
        "query sessions",
        "metrics",
    ],
)
def test_no_answer_is_wider_than_80_columns_unless_asked_for(filled, arguments):
    lines = filled(*arguments.split()).out.splitlines()
    assert max(len(line) for line in lines) <= 80
    wide = filled(*arguments.split(), "--wide").out.splitlines()
    assert len(wide) <= len(lines)


def test_ids_stand_beside_names_where_asked_for(filled):
    assert "[f6_hz]" in filled("show", "sill-0", "--ids").out
    assert "[f6_hz]" not in filled("show", "sill-0").out
