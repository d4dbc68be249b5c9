"""What is said beside a shortlist, word by word: the figures are worked out by hand from what was asked."""

from __future__ import annotations

import polars as pl
import pytest

from speakerdb import figures
from speakerdb.acoustics import exposure
from speakerdb.analysis.question import Question
from speakerdb.analysis.seat import hours, sit
from speakerdb.answering import room_cautions
from speakerdb.words import room_words


def ask(**changes):
    return Question(**{"distance_m": 2.0, "level_db": 100.0, "volume_m3": 50.0, **changes})


def basis(**changes):
    q = ask(**changes)
    return room_words.basis(q, sit(q), None)


def test_the_headline_repeats_the_question():
    q = ask()
    assert room_words.headline(q, sit(q), None) == "Asked: peaks of 100 dB at 2 m in 50 m³, a pair"
    q = ask(
        single=True,
        amplifier_w=80.0,
        budget=900.0,
        height_max_mm=400.0,
        width_max_mm=250.0,
        depth_max_mm=300.0,
        mass_max_kg=12.0,
        bass_hz=45.0,
        wall_distance_m=0.6,
        standing=True,
    )
    assert room_words.headline(q, sit(q), "EUR") == (
        "Asked: peaks of 100 dB at 2 m in 50 m³, one speaker, amplifier of 80 W into 8 Ω, at most 900 EUR, "
        "height at most 400 mm, "
        "width at most 250 mm, depth at most 300 mm, mass at most 12 kg, bass to 45 Hz, wall 0.6 m behind the front, "
        "tone held when standing"
    )
    q = ask(budget=900.0, bass_hz=45.0, subwoofer_hz=80.0)  # the subwoofer handles the bass
    assert (
        room_words.headline(q, sit(q), None)
        == "Asked: peaks of 100 dB at 2 m in 50 m³, a pair, at most 900, subwoofer below 80 Hz"
    )


def test_what_an_answer_rests_on_tells_the_room_and_what_of_it_is_assumed():
    level, pair, chance, bass, prices = basis()
    # surface 6.3·50^(2/3) = 85.5 m²; statistical from 2000·√(0.4/50) = 179 Hz
    assert level.startswith(
        "Level at the seat: the loudest moments (short-term RMS, 125 ms) of music with the usual spectrum of "
        "programmes, "
        "each band no louder than the speaker can use;"
    )
    assert level.endswith("Room of 50 m³, surface 86 m² (typical of the volume), reverberation time 0.4 s (assumed).")
    assert pair == (
        "A pair gives 3.0 dB more than one (uncorrelated), in mono bass at most 6.0 dB; what stands alone is "
        "paid for singly."
    )
    assert (
        "those of the measurement with its bench, 2 dB of the room model and the assumed reverberation time." in chance
    )
    assert "at the low end of its interval is reached with a probability of 97.5 %." in chance
    assert bass == "Bass at the seat is a range, below 179 Hz from free field to a source that radiates all around."
    assert prices == "Prices: the newest street price, else the newest list price."


def test_what_is_stated_is_not_called_assumed():
    told = basis(dimensions_m=(5.0, 4.0, 2.5), volume_m3=None, reverberation_s=0.5, single=True, amplifier_w=60.0)
    assert told[0].endswith("Room of 50 m³, surface 85 m², reverberation time 0.5 s.")
    assert told[1] == "One speaker."
    assert "assumed" not in " ".join(told)
    assert "2 dB of the room model. A level" in told[2]
    assert told[3] == (
        "Passive speakers get what 60 W into 8 Ω gives, with peaks of 9 dB above the loudest moments (own judgement)."
    )
    assert "spectrum of pink noise" in basis(spectrum="pink")[0]
    assert "spectrum of your file" in basis(spectrum_db=(0.0,) * 31)[0]
    q = ask()
    assert room_words.basis(q, sit(q), "list price of 2025")[-1] == "Prices: the newest list price of 2025."


def test_standing_up_lifts_the_ear_by_half_a_metre():
    # arctan(0.5/2) = 14.04°
    assert basis(standing=True)[-1] == "Standing lifts the ear by 0.5 m (own judgement), at 2 m that is 14° upward."
    assert not any("Standing" in s for s in basis())


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "< 1 %"),
        (0.009, "< 1 %"),
        (0.0101, "1 %"),
        (0.5, "50 %"),
        (0.9899, "99 %"),
        (0.991, "> 99 %"),
        (1.0, "> 99 %"),
    ],
)
def test_a_probability_is_never_0_or_100_percent(share, said):
    assert figures.probability(share) == said


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.3, 0.3, "30 %"),
        (0.3, None, "–"),
        (None, 0.3, "–"),
        (0.003, 0.4, "at most 40 %"),
        (0.4, 0.995, "at least 40 %"),
        (0.3, 0.5, "30 to 50 %"),
        (0.001, 0.999, "can't be told"),
        (0.011, 0.4, "1 to 40 %"),
        (0.4, 0.989, "40 to 99 %"),
        (0.303, 0.304, "30 %"),
    ],
)
def test_a_chance_that_is_open_is_told_from_its_known_end(low, high, said):
    assert room_words.chance_text(low, high) == said


def test_misses_are_told_with_as_many_digits_as_they_need():
    rows = [
        (0, "level", 12.34, "dB", False),
        (0, "price", 40.4, "EUR", False),
        (0, "tone up", 12.3, "°", False),
        (0, "bass limit", 9.94, "Hz", True),
        (1, "height", 120.0, "mm", False),
        (0, "depth before the wall", 3.0, "", False),
    ]
    fails = pl.DataFrame(rows, schema=["key", "what", "by", "unit", "at_least"], orient="row")
    assert room_words.misses_text(fails, 0) == (
        "level by 12.3 dB; price by 40 EUR; tone up by 12°; bass limit by at least 9.9 Hz; depth before the wall by 3.0"
    )
    assert room_words.misses_text(fails, 1) == "height by 120 mm"
    assert room_words.misses_text(fails, 2) == ""


# cautions


class Found:
    """A shortlist of which the cautions read two frames."""

    def __init__(self, rows, near=()):
        schema = {"speaker": pl.String, "mass_kg": pl.Float64}
        self.rows, self.near_misses = (
            pl.DataFrame(rows, schema, orient="row"),
            pl.DataFrame(list(near), schema, orient="row"),
        )


def cautions(rows=(("a", 8.0),), near=(), powered=(True,), depth=(300.0,), **changes):
    q = ask(**changes)
    judged = pl.DataFrame(
        {"powered": powered, "depth_mm": depth}, schema_overrides={"powered": pl.Boolean, "depth_mm": pl.Float64}
    )
    return room_cautions.cautions(q, sit(q), Found(list(rows), near), judged, hours(q.level_db))


def test_listening_times_stand_first_and_the_programme_that_was_asked_for_before_the_other():
    # peaks of 100 dB average 85 dB(A) with dynamic and 96 with dense recordings. NIOSH: 8 h at 85 dB(A), halved every 3
    # dB: 8/2^(11/3) = 0.63 h = 38 min; WHO/ITU: 40 h a week at 80, 75 for the sensitive: 40/2^(5/3) = 12.6 h,
    # 40/2^(10/3) = 4.0 h; at 96: 40/2^(16/3) = 0.99 h = 60 min, 40/2^7 = 0.31 h = 19 min
    dynamic = (
        "Peaks of 100 dB average about 85 dB(A) with dynamic recordings: NIOSH 8.0 h a day, WHO/ITU-T H.870 "
        "13 h a week "
        "(4.0 h for children and sensitive listeners)."
    )
    dense = (
        "Peaks of 100 dB average about 96 dB(A) with dense recordings: NIOSH 38 min a day, WHO/ITU-T H.870 "
        "60 min a week "
        "(19 min for children and sensitive listeners)."
    )
    assert cautions()[:2] == [dynamic, dense]
    assert cautions(programme="dense")[:2] == [dense, dynamic]
    assert cautions()[2] == f"NIOSH's is an occupational limit, not free of risk. {exposure.ADVICE}"


@pytest.mark.parametrize(
    ("time_h", "said"),
    [
        (24.0, "24 h"),
        (10.0, "10 h"),
        (9.96, "10.0 h"),
        (1.0, "1.0 h"),
        (0.99, "59 min"),
        (1 / 60, "1 min"),
        (40 / 3600, "40 s"),
        (None, "–"),
        (float("inf"), "–"),
    ],
)
def test_a_listening_time_has_the_unit_that_suits_it(time_h, said):
    assert figures.duration(time_h) == said


def test_how_good_the_room_model_is_and_what_of_it_is_assumed():
    # 0.4 s ± 30 %
    assert (
        "The room model is good to about 2 dB (own judgement); the reverberation time is assumed, 0.4 s ±30 "
        "% (0.28–0.52 s) for a "
        "furnished living room (common practice, no source). Chances and intervals hold that, and are about "
        "a unit you would buy, "
        "another one of the model that was measured."
    ) in cautions()
    stated = [c for c in cautions(reverberation_s=0.5) if c.startswith("The room model")]
    assert stated[0].startswith("The room model is good to about 2 dB (own judgement). Chances")


def test_what_the_room_may_do_to_the_bass_is_told():
    # 2000·√(T/V): 0.4 s in 17 m³ is 307 Hz
    (said,) = [c for c in cautions(volume_m3=17.0) if "single modes" in c]
    assert said.startswith("Below 307 Hz this room answers in single modes: how loud the bass is at your seat lies")
    assert said.endswith("“May” means that it is enough in the better of these rooms only.")


def test_kinds_that_are_no_pair_are_counted_with_how_to_ask_for_them():
    left = [{"kind": "centre", "speakers": 1}, {"kind": "subwoofer", "speakers": 3}]
    q = ask()
    judged = pl.DataFrame({"powered": [True], "depth_mm": [300.0]})
    said = room_cautions.cautions(q, sit(q), Found([("a", 8.0)], []), judged, hours(q.level_db), left)
    assert "Left out, being no pair: 1 centre, 3 subwoofers. Ask for them by kind." in said
    assert not any("Left out" in c for c in cautions())


def test_passive_speakers_without_an_amplifier_are_counted():
    said = [c for c in cautions(powered=(True, False, False, None), depth=(300.0,) * 4) if "amplifier" in c]
    assert len(said) == 1
    assert said[0] == (
        "No amplifier stated: 2 passive speakers taken at what would be delivered with a large enough "
        "amplifier; the power each needs into "
        "8 Ω, its music's peaks included, stands beside it where its sensitivity is known."
    )
    assert not any("amplifier" in c for c in cautions(powered=(False,), amplifier_w=50.0))
    assert not any("amplifier" in c for c in cautions(powered=(True, None), depth=(300.0,) * 2))


def test_the_subwoofer_the_wall_and_the_price_of_one():
    assert ("With a subwoofer below 80 Hz bass is its task, and whether it keeps up is not judged here.") in cautions(
        subwoofer_hz=80.0
    )
    # a quarter of a wavelength: 343/(4·0.6) = 143 Hz
    wall = "A wall 0.6 m behind the front puts the first dip at 143 Hz; floor and side walls are not in this sum."
    assert wall in cautions(wall_distance_m=0.6)
    assert not any("before the wall" in c for c in cautions(wall_distance_m=0.6))
    unknown = cautions(wall_distance_m=0.6, powered=(True, True), depth=(None, 300.0))
    assert "The depth of 1 speaker is unknown: whether it fits before the wall was not judged." in unknown
    one = "One speaker: where the kind is bought as a pair, half of that price; some are sold in pairs only."
    assert one in cautions(single=True)
    plain = " ".join(cautions())
    assert not any(word in plain for word in ("subwoofer", "wall", one))


def test_who_is_too_heavy_for_one_is_named_once_and_unknown_masses_are_counted():
    said = cautions(
        rows=[("a", 26.0), ("b", 8.0), ("c", 16.0), ("d", None)], near=[("a", 26.0), ("d", None), ("e", 16.5)]
    )
    assert said[-2] == (
        "Heavy: a (26.0 kg), e (16.5 kg). One person should not lift more than about 25 kg (men) or 16 kg "
        "(women) at waist height; get help, "
        "and follow local rules."
    )
    assert said[-1] == "The mass of 1 speaker listed is not known: try before you lift."
    assert not any("lift" in c for c in cautions())
