"""The verdict: eight lines in their order, each word by its cuts, each number that of `show`, a reason where none."""

from __future__ import annotations

import json
import re

import jsonschema
import polars as pl
import pytest

import speakerdb
from speakerdb.analysis.grading import grade
from speakerdb.answering import verdict
from speakerdb.metrics import METRICS
from speakerdb.questions.documents import document
from speakerdb.questions.schemas import text as schema_text
from speakerdb.questions.show import Show
from tests.folders import KEYS, responses_csv, toml_text, write_session
from tests.once import copy_of
from tests.web.conftest import fill

# Cuts and words of the design (own judgement), typed from its table: value -> word
WORDS = {
    "EVENNESS": {1.0: "very even", 2.0: "even", 3.0: "uneven", 4.0: "very uneven"},
    "BASS_TILT": {-4.0: "lean", -2.0: "slightly lean", 0.0: "level", 2.0: "slightly full", 4.0: "full"},
    "TREBLE_TILT": {-4.0: "dull", -2.0: "slightly dull", 0.0: "level", 2.0: "slightly bright", 4.0: "bright"},
    "DEPTH": {25.0: "lowest octave", 34.0: "deep", 47.0: "medium", 66.0: "short of bass", 100.0: "needs a subwoofer"},
    "LOUDNESS": {80.0: "quiet", 90.0: "moderate", 100.0: "loud", 110.0: "very loud"},
    "SPREAD": {80.0: "narrow", 104.0: "medium", 150.0: "wide"},
    "STEADINESS": {0.05: "steady", 0.15: "fairly steady", 0.3: "changing"},
    "MID_DISTORTION": {0.3: "very low", 0.7: "low", 1.7: "moderate", 5.0: "high"},
    "BASS_DISTORTION": {1.5: "low", 5.5: "moderate", 15.0: "high"},
}


@pytest.mark.parametrize("scale", WORDS)
def test_each_class_has_its_word(scale):
    said = {value: grade(getattr(verdict, scale), value, 0.01).text for value in WORDS[scale]}
    assert said == WORDS[scale]


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = copy_of("web", lambda root: fill(root / "in", root / "speakers.duckdb"), tmp_path_factory)
    with speakerdb.open(folder / "speakers.duckdb") as one:
        yield one


def lines_of(base, speaker, **more):
    return {line["line"]: line for line in base.show(speaker, exact=True, **more).strip}


def test_the_lines_always_stand_in_their_order_and_fit_the_schema(base):
    for speaker in base.list()["speaker"]:
        answer = base.show(speaker, exact=True)
        assert tuple(line["line"] for line in answer.strip) == verdict.LINES
        jsonschema.validate(document(base.state, answer), json.loads(schema_text(Show)))


def test_sentences_are_short_and_no_word_stands_without_a_number(base):
    for speaker in base.list()["speaker"]:
        for line in base.show(speaker, exact=True).strip:
            assert len(line["sentence"]) <= 120, line["sentence"]
            assert not line["sentence"] or line["sentence"].endswith(".")
            withheld = [v for v in line["values"][:1] if v["state"] == "withheld"]
            assert not withheld or line["word"].startswith(("not judged: ", "not ranked: "))
            assert all(v["value"] is not None for v in line["values"] if v["word"])
            assert "0 to 100" not in line["word"] + line["sentence"]


def test_the_numbers_are_those_of_show(base):
    answer = base.show("alder-fen-sill-0", exact=True)
    for line in answer.strip:
        for value in line["values"]:
            if value["metric"] in METRICS:
                pooled = answer.pooled[value["metric"]]
                assert {k: value[k] for k in ("value", "low", "high", "censored")} == {
                    k: pooled[k] for k in ("value", "low", "high", "censored")
                }
    bass = {line["line"]: line for line in answer.strip}["Bass"]
    assert bass["number"].startswith(METRICS["f6_hz"].quantity.text(answer.pooled["f6_hz"]["value"]))


def test_a_range_of_places_is_that_of_percentile(base):
    for speaker in base.list()["speaker"]:
        line = lines_of(base, speaker)["Rank"]
        if line["values"][0]["metric"] != "place":
            continue
        place = line["values"][0]
        row = base.percentile(speaker, metric=("preference",)).rows.row(0, named=True)
        assert (place["low"], place["high"]) == (row["place_low"], row["place_high"])
        assert place["unit"] == f"of {row['of']}"


def test_another_setting_than_the_default_one_is_not_ranked(base):
    speaker = "alder-fen-sill-0"
    (other,) = {"desk", "plain"} - {base.setting(speaker)}
    for name in ("Rank", "Value"):
        assert lines_of(base, speaker, setting=other)[name]["word"] == "not judged: not its default setting"


def shelved(folder, model, bass_db=0.0, treble_db=0.0):
    """A session whose curves are lifted below 250 Hz and above 5 kHz, all alike."""
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(toml_text({**KEYS, "model": model}), encoding="utf-8")
    frame = pl.read_csv(responses_csv(bass_hz=20.0).encode())
    lift = pl.when(pl.col("frequency_hz") < 250).then(bass_db).when(pl.col("frequency_hz") > 5000).then(treble_db)
    frame = frame.with_columns(pl.col("level_db") + lift.otherwise(0.0))
    frame.write_csv(folder / "responses.csv")
    return folder


def test_more_bass_is_full_less_is_lean_more_treble_bright_less_dull(tmp_path):
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as one:
        for model, bass_db, treble_db in (("A", 5, 0), ("B", -5, 0), ("C", 0, 5), ("D", 0, -6), ("E", 2, -2)):
            one.ingest(shelved(tmp_path / model, model, bass_db, treble_db))
        one.work_out()
        said = {m: lines_of(one, f"alder-fen-{m}")["Tonal balance"]["sentence"] for m in "abcde"}
    words = {m: re.findall(r"(?:bass|treble) ([a-z ]+) \(", text, re.IGNORECASE) for m, text in said.items()}
    assert words["a"][0] == "full"
    assert words["b"][0] == "lean"
    assert words["c"][1] == "bright"
    assert words["d"][1] == "dull"
    assert words["e"] == ["slightly full", "slightly dull"]


def test_what_is_missing_is_what_would_settle_it(tmp_path):
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as one:
        one.ingest(write_session(tmp_path / "a", model="A"))
        one.ingest(write_session(tmp_path / "b", model="B", level_is="relative"))
        one.work_out()
        no_sweeps, relative = (lines_of(one, f"alder-fen-{m}")["To settle"]["sentence"] for m in "ab")
    assert "compression and distortion" in no_sweeps
    assert "level" in no_sweeps
    assert "a calibrated level" in relative


def test_without_an_error_there_is_no_word(tmp_path):
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as one:
        one.ingest(write_session(tmp_path / "a"))
        bass = lines_of(one, "alder-fen-sill-5")["Bass"]
    assert bass["word"] == "can’t be told: its error was not worked out"
    assert bass["values"][0]["value"] is not None
