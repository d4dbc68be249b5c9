"""shortlist, settings and claim as a buyer or reviewer types them."""

from __future__ import annotations

import shutil

import pytest

import speakerdb as package
from tests.cli.checking import check
from tests.room_fleet import write_rooms

ROOM = "--distance 3 --volume 60 --level 100"


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    root = tmp_path_factory.mktemp("rooms")
    write_rooms(root / "in")
    with package.open(root / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(root / "in")} == {"stored"}
    return root


@pytest.fixture
def filled(speakerdb, tmp_path, stored):
    shutil.copy(stored / "speakers.duckdb", tmp_path)
    return speakerdb


def names(rows):
    return [r["speaker"].removeprefix("alder-fen-") for r in rows]


@pytest.mark.parametrize(
    "arguments",
    [
        f"shortlist {ROOM}",
        f"shortlist {ROOM} --budget 2000 --wall 0.6 --standing --bass 60",
        f"shortlist {ROOM} --subwoofer 80 --amplifier 50 --programme dense --single",
        "shortlist --distance 3 --dimensions 5,2x4x2,5 --level 100 --reverberation 0.5 --mass-max 10 --height-max 350",
        f"shortlist {ROOM} --budget 1",
        f"shortlist {ROOM} --kind monitor --all-settings",
        "settings switched --wall 0.4",
        "settings switched --against wall",
        "settings loud",
        "claim soft",
    ],
)
def test_answers_fit_their_schemas_and_read_in_text(filled, arguments):
    words = arguments.split()
    answer = filled(*words, "--json")
    assert answer.code == 0, answer.err
    check(words[0], answer.document)
    assert answer.err == ""
    plain = filled(*words)
    assert plain.code == 0
    assert "nan" not in plain.out.lower().replace("/", " ").split()
    assert answer.document["state"] in plain.out


def test_every_speaker_stands_in_exactly_one_group(filled):
    found = filled("shortlist", *ROOM.split(), "--budget", "2000", "--json").document
    told = [n for group in ("rows", "near_misses", "too_far", "not_judged") for n in names(found[group])]
    assert found["left_out"] == [{"kind": "soundbar", "speakers": 1}]
    assert sorted(told) == ["dear", "loud", "open", "passive", "soft", "switched", "unswept"]


def test_the_buyers_answer(filled):
    found = filled("shortlist", *ROOM.split(), "--budget", "2000", "--json").document
    assert set(names(found["rows"])) == {"loud", "passive", "switched"}
    bar = filled("shortlist", *ROOM.split(), "--kind", "soundbar", "--json").document
    misses = {m["speaker"].removeprefix("alder-fen-"): m["fails"] for m in found["near_misses"]}
    assert [f["what"] for f in misses["soft"]] == ["level"]
    assert misses["dear"] == [{"what": "price", "by": 2000.0, "unit": "EUR", "at_least": False}]
    reasons = {r["speaker"].removeprefix("alder-fen-"): r["reason"] for r in found["not_judged"]}
    assert "≥" in reasons["open"]
    assert "no compression" in reasons["unswept"]
    assert all(0.5 <= r["p_meets"] == r["p_meets_low"] <= r["p_meets_high"] <= 1.0 for r in found["rows"])
    chance = {m["speaker"].removeprefix("alder-fen-"): m["p_meets"] for m in found["near_misses"]}
    assert chance["dear"] == 0.0  # its price is certain
    prices = {n: r["price"] for n, r in zip(names(found["rows"]), found["rows"], strict=True)}
    assert (prices["passive"]["amount"], prices["passive"]["per"]) == (800.0, "pair")
    (alone,) = bar["rows"]
    assert (alone["price"]["amount"], alone["price"]["per"]) == (600.0, "one")


def test_near_misses_that_are_not_printed_are_counted_and_others_are_not(filled):
    words = ["shortlist", *ROOM.split(), "--budget", "2000"]
    misses = len(filled(*words, "--json").document["near_misses"])
    assert 1 < misses < 10
    assert "near miss" not in filled(*words).out
    left = misses - 1
    assert (
        f"and {left} more near {'miss' if left == 1 else 'misses'}; --json names them."
        in filled(*words, "--top", "1").out
    )


def test_levels_at_the_seat_never_stand_without_listening_times(filled):
    for arguments in (ROOM, f"{ROOM} --programme dense", f"{ROOM} --budget 1"):
        found = filled("shortlist", *arguments.split(), "--json").document
        cautions = " ".join(found["cautions"])
        for words in ("NIOSH", "WHO/ITU-T H.870", "dynamic", "dense", "Follow local rules and professional advice."):
            assert words in cautions
            assert words in " ".join(filled("shortlist", *arguments.split()).out.split())
        listed = found["rows"] + found["near_misses"]
        assert listed
        for row in listed:
            assert set(row["exposure"]) == {"dynamic", "dense"}


def test_heavy_speakers_come_with_the_lifting_caution_and_passive_ones_with_the_amplifiers(filled):
    found = filled("shortlist", *ROOM.split(), "--json").document
    cautions = " ".join(found["cautions"])
    assert "alder-fen-dear (30.0 kg)" in cautions
    assert "25 kg (men)" in cautions
    assert "16 kg (women)" in cautions
    assert "No amplifier stated: 1 passive" in cautions
    stated = filled("shortlist", *ROOM.split(), "--amplifier", "100", "--json").document
    assert "No amplifier" not in " ".join(stated["cautions"])


def test_an_assumed_reverberation_time_is_shown_as_assumed(filled):
    found = filled("shortlist", *ROOM.split(), "--json").document["assumptions"]
    assert (found["reverberation_s"], found["reverberation_assumed"]) == (0.4, True)
    assert (found["reverberation_low_s"], found["reverberation_high_s"]) == (pytest.approx(0.28), pytest.approx(0.52))
    assert "0.4 s (assumed)" in filled("shortlist", *ROOM.split()).out
    stated = filled("shortlist", *ROOM.split(), "--reverberation", "0.4", "--json").document["assumptions"]
    assert not stated["reverberation_assumed"]


def test_the_order_is_stated_and_size_limits_make_near_misses_not_gaps(filled):
    found = filled("shortlist", *ROOM.split(), "--height-max", "290", "--json").document
    assert "3 dB of headroom" in found["assumptions"]["order"]
    assert {f["what"] for m in found["near_misses"] if "loud" in m["speaker"] for f in m["fails"]} == {"height"}
    assert names(found["rows"]) == []
    bar = filled("shortlist", *ROOM.split(), "--kind", "soundbar", "--height-max", "290", "--json").document
    assert names(bar["rows"]) == ["bar"]


def test_another_currency_without_a_rate_is_not_judged_and_an_unknown_one_is_an_error(filled, tmp_path):
    (tmp_path / "rates.csv").write_text("from,to,rate\nEUR,CHF,0.95\n")
    found = filled(
        "shortlist", *ROOM.split(), "--budget", "2000", "--currency", "CHF", "--rates", "rates.csv", "--json"
    )
    assert "loud" in names(found.document["rows"])
    (tmp_path / "other.csv").write_text("from,to,rate\nUSD,CHF,0.95\n")
    other = filled(
        "shortlist", *ROOM.split(), "--budget", "2000", "--currency", "CHF", "--rates", "other.csv", "--json"
    )
    assert "no rate to CHF" in other.document["not_judged"][0]["reason"]


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (f"shortlist {ROOM} --currency XXX --budget 10", 1, "no price is held in XXX"),
        ("shortlist --distance 3 --volume 0 --level 100", 2, "above 0"),
        ("shortlist --distance -1 --volume 60 --level 100", 2, "above 0"),
        (f"shortlist {ROOM} --budget -5", 2, "above 0"),
        (f"shortlist {ROOM} --budget nan", 2, "above 0"),
        (f"shortlist {ROOM} --programme loud", 2, "dynamic, dense"),
        (f"shortlist {ROOM} --kind sofa", 2, "not one of"),
        ("shortlist --distance 3 --level 100", 2, "either by its volume or by its dimensions"),
        (f"shortlist {ROOM} --dimensions 5x4x2.5", 2, "either by its volume or by its dimensions"),
        ("shortlist --distance 3 --level 100 --dimensions 5x4", 2, "5.2x4.1x2.5"),
        ("shortlist --distance 3 --level 100 --dimensions 5x0x2", 2, "5.2x4.1x2.5"),
        ("shortlist --volume 60 --level 100", 2, "distance"),
        ("shortlist --distance 30 --volume 60 --level 100", 1, "farther than a room of 60 m³"),
        (f"shortlist {ROOM} --reverberation 0.05", 1, "more than its 97 m² of surface"),
        (
            "shortlist --distance 3 --volume 60 --level 500",
            2,
            "level: 500 is outside its limits; expected above 30 and at most 140",
        ),
        ("settings nobody", 1, "no speaker is named"),
        ("settings switched --against desk", 1, "no setting 'desk'"),
        ("settings switched --wall 0.1", 1, "the cabinet is 250 mm deep"),
        ("settings switched --wall 0", 2, "above 0"),
        ("claim loud", 1, "no claimed maximum level is recorded"),
    ],
)
def test_errors_say_what_is_wrong_with_the_right_exit_code(filled, arguments, code, message):
    plain = filled(*arguments.split())
    assert (plain.code, plain.out) == (code, "")
    assert message.lower() in plain.err.lower()
    assert "Traceback" not in plain.err
    as_json = filled(*arguments.split(), "--json")
    assert as_json.code == code
    check("error", as_json.document)


def test_the_setting_that_suits_a_near_wall_is_the_one_with_less_bass_and_the_reasoning_is_shown(filled):
    found = filled("settings", "switched", "--wall", "0.3", "--json").document
    ripple = {s["setting"]: s["ripple_db"] for s in found["wall"]["settings"]}
    assert found["wall"]["best"] == min(ripple, key=ripple.get)
    plain = filled("settings", "switched", "--wall", "0.3").out
    assert "puts a dip at 286 Hz" in plain
    assert "standard deviation, against" in plain


def test_the_reach_of_the_control_is_told_from_the_recorded_positions(filled):
    (control,) = filled("settings", "switched", "--json").document["controls"]
    assert [(p["position"], p["setting"]) for p in control["positions"]] == [(-4.0, "wall"), (0.0, "plain")]
    ((low_hz, high_hz),) = control["acts_hz"]
    assert low_hz < 25.0
    assert 100.0 < high_hz < 400.0


def test_a_claim_is_told_step_by_step(filled):
    answer = filled("claim", "soft", "--json").document
    assert answer["claim"]["one_at_1_m_db"] == pytest.approx(104.0 - 3.01, abs=0.01)
    assert answer["claim"]["distance_assumed"]
    assert answer["unexplained_db"]["low"] == pytest.approx(101.0 - 92.0, abs=0.5)
    assert answer["verdict"] == "not_met"
    assert "no distance stated" in filled("claim", "soft").out
