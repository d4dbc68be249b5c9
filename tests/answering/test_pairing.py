"""A main speaker with a subwoofer: the louder never lifts the quieter, and what is asked is answered or refused."""

from __future__ import annotations

import numpy as np
import pytest

import speakerdb
from speakerdb.acoustics import programme
from speakerdb.declare import AskError
from speakerdb.errors import RequestError
from tests.folders import write_session
from tests.room_fleet import write_speaker


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pairing")
    write_speaker(folder / "in" / "main", 104.0, model="Weir 9", kind="standmount")
    write_speaker(folder / "in" / "open", 110.0, model="Weir 8", kind="standmount", highest_drive_db=93.0)
    subs = (("Culvert 1", 88.0, 150), ("Culvert 2", 108.0, 900), ("Culvert 3", 106.0, 400))
    for i, (model, loud, price) in enumerate(subs):
        more = {"model": model, "kind": "subwoofer", "price": price, "per": "each", "mass_kg": 20}
        write_speaker(folder / "in" / f"sub{i}", loud, bass_hz=18.0, **more)
    write_session(folder / "in" / "silent", model="Culvert 4", kind="subwoofer")
    with speakerdb.open(folder / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(folder / "in")} == {"stored"}
    with speakerdb.open(folder / "speakers.duckdb") as base:
        yield base


def test_without_a_subwoofer_those_that_keep_up_are_listed_by_price(base):
    answer = base.pair("weir-9")
    assert answer.rows["subwoofer"].to_list() == ["alder-fen-culvert-3", "alder-fen-culvert-2"]
    assert answer.rows["keeps_up"].to_list() == ["yes", "yes"]
    assert answer.too_quiet["subwoofer"].to_list() == ["alder-fen-culvert-1"]
    assert answer.not_judged["speaker"].to_list() == ["alder-fen-culvert-4"]
    assert answer.subwoofer is None
    assert answer.response == []


def test_together_they_are_as_loud_as_the_quieter_one(base):
    quiet, loud = base.pair("weir-9", "culvert-1"), base.pair("weir-9", "culvert-2")
    assert quiet.limited_by == "subwoofer"
    assert quiet.level_db == quiet.too_quiet["level_db"][0]
    assert loud.limited_by == "main"
    assert loud.level_db == loud.main_level_db


def test_the_main_speakers_level_is_programme_spl_from_the_crossover_up(base):
    # at 80 Hz it is the metric of that name
    managed = base.show("weir-9").pooled["programme_level_managed_db"]["value"]
    assert base.pair("weir-9").main_level_db == pytest.approx(managed, abs=0.05)


def test_a_subwoofer_is_asked_for_the_low_passed_spectrum(base):
    """Its usable output is flat from 25 to 160 Hz here: the sum by hand."""
    answer = base.pair("weir-9", "culvert-2")
    f, s = programme.BANDS_HZ, programme.SPECTRA["programme"]
    bands = slice(programme.band_of(25.0), programme.band_of(160.0) + 1)
    asked = (s - 20 * np.log10(1 + (f / 80.0) ** 4))[bands]
    # 108 dB delivered at 3 dB of compression, its response apart: second-order high-pass at 18 Hz, re its 40–80 Hz
    own = (-10 * np.log10(1 + (18.0 / f) ** 4))[bands]
    reference = np.mean(-10 * np.log10(1 + (18.0 / np.geomspace(40, 80, 50)) ** 4))
    hand = -10 * np.log10(np.sum(10 ** ((asked - (108.0 + own - reference)) / 10)))
    assert answer.rows["level_db"][0] == pytest.approx(hand, abs=0.3)


def test_the_lowest_crossover_that_reaches_a_level_is_the_one_needed(base):
    answer = base.pair("weir-9", level=101.0, crossover="best")
    enough = [c["crossover_hz"] for c in answer.crossovers if c["level_db"] >= 101.0]
    assert answer.needs_hz == enough[0] == answer.crossover_hz
    levels = [c["level_db"] for c in answer.crossovers]
    assert levels == sorted(levels)
    never = base.pair("weir-9", level=135.0)
    assert never.needs_hz is None
    assert any("no crossover" in c for c in never.cautions)


def test_what_the_sweeps_left_open_is_no_verdict(base):
    answer = base.pair("weir-8", "culvert-1")
    assert answer.main_level_censored in {"at_least", "between"}
    assert set(base.pair("weir-8").rows["keeps_up"]) == {"unclear"}


def test_without_phase_the_sum_has_two_ends_and_a_beginning_that_says_so(base):
    answer = base.pair("weir-9", "culvert-2")
    assert all(r["low_db"] is None or r["low_db"] <= r["high_db"] for r in answer.response)
    assert answer.alignment["lowest_db"] >= answer.alignment["plain_db"]
    assert any("phase" in c for c in answer.cautions)


def test_hearing_lifting_and_mains_are_cautioned(base):
    said = " ".join(base.pair("weir-9", "culvert-2").cautions)
    for word in ("NIOSH", "lift", "electrician"):
        assert word in said


@pytest.mark.parametrize("crossover", ["39", "161", "nan", "often", "inf"])
def test_a_crossover_out_of_its_range_is_told_beside_its_field(base, crossover):
    with pytest.raises(AskError, match="expected 40 to 160") as told:
        base.pair("weir-9", crossover=crossover)
    assert told.value.field == "crossover"


@pytest.mark.parametrize(
    ("main", "sub", "said"),
    [
        ("culvert-1", None, "expected a main"),
        ("weir-9", "weir-8", "expected a subwoofer"),
        ("weir-9", "culvert-4", "two drives"),
    ],
)
def test_what_is_no_pair_is_refused_in_words(base, main, sub, said):
    with pytest.raises(RequestError, match=said):
        base.pair(main, sub)
