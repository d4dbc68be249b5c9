"""Sentences as they are told, word by word, from figures made up for them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

import speakerdb
from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.analysis import claims, judging
from speakerdb.analysis.adjustments import Control, Reach, WallSum
from speakerdb.answering import branching, claiming, telling
from speakerdb.answering.setting_changes import ControlReach, WallAnswer
from speakerdb.errors import RequestError
from speakerdb.statistics.error_model import bench_key
from speakerdb.statistics.learning import BenchPair, Size
from speakerdb.upkeep.adopting import Learned
from speakerdb.words import learned_words, match_words, sentences, settings_words
from speakerdb.words.compare_words import contrast_words, real_words
from speakerdb.words.sentences import about
from tests.folders import write_session


def test_contrasts_are_told_once_each_and_the_commonest_of_the_rest():
    rows = [("f6_hz", "one lab"), ("flatness_window_db", "all sessions"), ("preference", "all sessions")]
    assert contrast_words(rows) == ["one lab (bass limit −6 dB)", "all sessions (all other rows)"]
    assert contrast_words(rows[1:]) == ["all sessions"]
    assert contrast_words([]) == []
    four = [
        ("f6_hz", "one lab"),
        ("f3_hz", "one lab"),
        *[(m, "all sessions") for m in ("preference", "flatness_window_db", "max_level_db")],
    ]
    assert contrast_words(four)[0] == "one lab (bass limit −6 dB; bass limit −3 dB)"


@pytest.mark.parametrize(
    ("differing", "real", "count", "said"),
    [
        (1, 1, 1, "The difference can be told."),
        (1, 0, 1, "The difference can be told."),
        (0, 0, 1, "The difference can't be told."),
        (0, 0, 8, "None of 8 differences can be told."),
        (3, 3, 8, "3 of 8 differences are real (about 1 in 20 marked ones may not be)."),
        (3, 0, 8, "3 of 8 rows differ, no more than chance may bring over so many rows: none is surely real."),
        (3, 2, 8, "3 of 8 rows differ; taken together 2 are real (about 1 in 20 of these may not be)."),
    ],
)
def test_how_many_differences_are_real(differing, real, count, said):
    assert real_words(differing, real, count) == said


def test_what_was_learned_names_sizes_and_benches_that_are_adopted_and_no_others():
    sizes = (Size("repeatability", 0.15, 0.181, 8, 16), Size("level", 0.15, 0.275, 2, 4))  # two speakers are too few
    wave = 1.2 * np.sqrt(2.0) * np.sin(2 * np.pi * np.arange(199) / 10)  # 1.2 dB RMS
    units = tuple((f"s{i}", "1") for i in range(6))
    here, there = bench_key("attic", "gated", None), bench_key("shed", "near-field-scan", "c")
    pairs = (
        BenchPair(here, there, units, wave, np.nan, 0.088, None),
        BenchPair(there, here, units[:1], wave, np.nan, np.nan, "too few"),
    )
    first, second = learned_words.told(Learned(sizes, pairs, {}, 1, True))
    # √((4·0.15² + 8·0.181²)/12) = 0.171
    assert first == "Errors as large as the repeats show them: repeat of a curve 0.17 dB (default 0.15; 8 speakers)."
    assert second.startswith(
        "attic (gated) is brought in line with shed (near-field-scan, c) by 6 specimens that both have measured: 1.2"
    )
    assert second.endswith(" dB RMS, 0.09 dB left.")
    assert learned_words.told(Learned(sizes[1:], pairs[1:], {}, 0, False)) == []


def test_what_was_left_out_of_a_match_is_named():
    row = {
        "bass": 1.0,
        "listening_window": 1.0,
        "in_room": None,
        "directivity_index": 1.0,
        "beamwidth": 1.0,
        "output": None,
    }
    lowest = FREQUENCY_HZ[FREQUENCY_HZ > 24.5][0]
    assert telling.remarks(row | {"bass_from_hz": lowest}) == [
        "in-room curve not compared",
        "usable output not compared",
    ]
    assert telling.remarks(row | {"bass_from_hz": 40.2}) == [
        "bass compared from 40 Hz",
        "in-room curve not compared",
        "usable output not compared",
    ]
    assert telling.remarks(row | {"bass": None, "bass_from_hz": None})[0] == "bass not compared"
    unjudged = {"distinguishable": None, "reason": "only the nearest 100 are judged"}
    assert (
        match_words.verdict(unjudged)
        == "whether it measures differently is not judged: only the nearest 100 are judged"
    )


# settings


def test_a_difference_is_read_at_the_nominal_octaves_and_smoothed_between():
    # preferred frequencies of octave bands, IEC 61260 and ISO 266 (from memory)
    assert settings_words.SHOWN_HZ == (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
    slope = 2.0 * np.log2(FREQUENCY_HZ / 1000.0)  # 2 dB an octave keeps its slope when smoothed
    found = settings_words.octave_rows(slope)
    assert found == pytest.approx([2.0 * np.log2(f / 1000.0) for f in settings_words.SHOWN_HZ], abs=0.15)
    slope[FREQUENCY_HZ < 50.0] = np.nan
    assert settings_words.octave_rows(slope)[0] is None
    assert settings_words.octave_rows(slope)[2] is not None


def control(reach, *, problem=None, fixed=None):
    positions = () if problem else (("0", 0), ("+2", 1))
    return settings_words.control_sentence(
        ControlReach(
            Control("bass", positions, fixed or {}, problem),
            () if problem else ("plain", "wall"),
            None if problem else "plain",
            reach,
        )
    )


def test_a_control_tells_its_positions_where_it_acts_and_by_how_much():
    low, high = np.zeros(199), np.full(199, 0.04)
    at = int(np.argmin(np.abs(FREQUENCY_HZ - 63.0)))
    low[at] = -1.5
    reach = Reach(low, high, ((50.0, 80.0), (4000.0, 9000.0)), float(FREQUENCY_HZ[at]))
    assert control(reach, fixed={"treble": 1}) == (
        "Control bass, positions 0 (plain), +2 (wall), with treble 1: moves the listening window by more "
        "than 0.5 dB from 50 to 80 Hz and "
        f"from 4000 to 9000 Hz, most at {FREQUENCY_HZ[at]:.0f} Hz (−1.5 to 0.0 dB re plain)."
    )
    idle = Reach(low * 0, high, (), None)
    assert control(idle) == (
        "Control bass, positions 0 (plain), +2 (wall): moves the listening window by no more than 0.5 dB anywhere."
    )
    assert control(None, problem="treble moved too") == "Control bass: its range can't be told, since treble moved too."


def wall(ripple_db, best, reasons=None):
    names = tuple(ripple_db)
    total = WallSum(np.zeros((len(names), 199)), np.array(list(ripple_db.values())), np.zeros(len(names)))
    return settings_words.wall_sentence(WallAnswer(0.6, 142.9, names, total, best, reasons or {}))


def test_the_setting_that_suits_a_wall_stands_before_the_others_flattest_first():
    head = "A wall 0.6 m behind lifts the bass and puts a dip at 143 Hz. "
    assert wall({"plain": 3.0, "desk": 2.04, "wall": 2.5, "loft": np.nan}, "desk") == (
        head + "Flattest between 40 and 300 Hz: desk, 2.0 dB standard deviation, against wall 2.5 dB, plain 3.0 dB."
    )
    assert wall({"plain": 3.0, "loft": np.nan}, "plain") == (
        head + "Flattest between 40 and 300 Hz: plain, 3.0 dB standard deviation; no other setting was judged."
    )
    assert wall({"plain": np.nan, "desk": np.nan}, None, {"plain": "no rear", "desk": "no bass"}) == (
        head + "Which setting suits it is not judged: plain: no rear; desk: no bass."
    )


# claims


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """One whole speaker and one like it, one without a vertical orbit, one that claims a level; none has sweeps."""
    root = tmp_path_factory.mktemp("sentences")
    write_session(root / "in" / "a", model="A")
    write_session(root / "in" / "b", model="B", bass_hz=52.0)
    front = write_session(root / "in" / "front", model="Front", bass_hz=80.0) / "responses.csv"
    front.write_text("".join(row for row in front.read_text().splitlines(keepends=True) if ",vertical," not in row))
    write_session(
        root / "in" / "loud", model="Loud", bass_hz=100.0, claimed_max_db=112.0, claim_pair=True, claim_distance_m=2.0
    )
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(root / "in")} == {"stored"}
        base.work_out()
        yield base


def test_a_speaker_is_told_in_three_sentences(base):
    unusual, relative, withheld = about(base, "alder-fen-a")
    assert unusual == "Unusual: not judged yet, since fewer than 8 other speakers share a metric with it."
    nearest = base.match("alder-fen-a", exact=True).rows.row(0, named=True)
    assert nearest["speaker"] == "alder-fen-b"
    assert relative.startswith(
        f"Measures most like: alder-fen-b, {nearest['distance_db']:.1f} dB RMS away; the measurements can't "
        "tell them apart"
    )
    assert relative.endswith("usable output not compared.")
    assert withheld.startswith("Withheld: ")
    reasons = base.show("alder-fen-a", exact=True).rows.filter(pl.col("session").is_null() & (pl.col("status") != "ok"))
    for (reason,), group in reasons.filter(pl.col("metric") != "di_sphere_mean_db").group_by("reason"):
        count = f"{len(group)} metrics ({reason})"
        assert (count in withheld) == (len(group) > 1)
        assert f"({reason})" in withheld
    assert "no vertical orbit" in about(base, "alder-fen-front")[2]
    assert "no vertical orbit" not in withheld


def unusual(*columns):
    """What is said of speaker a. columns: metric, its value (and what bound it is), the others' values."""
    tables = {}
    for metric, own, others, *censored in columns:
        names = ["a", *(f"s{i}" for i in range(len(others)))]
        tables[metric] = pl.DataFrame(
            {"speaker": names, "value": [own, *others], "censored": [*(censored or ["none"]), *["none"] * len(others)]}
        )
    return sentences._unusual(SimpleNamespace(field=SimpleNamespace(default_values=tables)), "a")


ALIKE = [50.0] * 8


def test_the_most_unusual_figure_lies_farthest_off_in_robust_standard_deviations():
    spread = [46.0, 48.0, 49.0, 50.0, 50.0, 51.0, 52.0, 54.0]  # half of them within 1.5 of the middle
    balance = [-1.0, -0.5, -0.2, 0.0, 0.0, 0.2, 0.5, 1.0]
    # treble is 5 and bass 2.3 of their spreads off
    assert unusual(("bass_balance_db", 1.2, balance), ("treble_balance_db", -2.6, balance)) == (
        "Most unusual: treble balance −2.6 dB, lower than 8 of 8 others (median 0.0 dB)."
    )
    # 57 Hz is half as far from 50 as 25 Hz
    assert "25.0 Hz, lower than 8" in unusual(("f6_hz", 25.0, spread), ("f3_hz", 57.0, spread))
    assert "100.0 Hz, higher than 8" in unusual(("f6_hz", 51.0, spread), ("f3_hz", 100.0, spread))
    assert "51.5 Hz, higher than 6 of 8" in unusual(("f6_hz", 51.5, spread))


def test_a_robust_standard_deviation_is_1_4826_times_the_median_deviation():
    # the median deviation is 0.35 dB, so 0.52 dB one such deviation; flatness moves in half steps of 0.005 dB
    balance = [-1.0, -0.5, -0.2, 0.0, 0.0, 0.2, 0.5, 1.0]
    near, far = ("treble_balance_db", -1.6, balance), ("treble_balance_db", -2.0, balance)  # 3.1 and 3.9 of them off
    assert "flatness" in unusual(near, ("flatness_window_db", 1.0175, [1.0] * 8))  # 3.5 half steps
    assert "treble balance" in unusual(far, ("flatness_window_db", 1.015, [1.0] * 8))  # 3


def test_where_the_others_are_all_alike_a_spread_is_half_a_step_or_a_fiftieth_of_an_octave():
    # 50 → 51.4 Hz is 0.040 octaves, 2.0 of such spreads; 0.015 dB is 3 half steps
    both = [("f6_hz", 51.4, ALIKE), ("flatness_window_db", 1.015, [1.0] * 8)]
    for columns in (both, both[::-1]):
        assert unusual(*columns).startswith("Most unusual: flatness, listening window 1.0")
    assert unusual(("f6_hz", 51.4, ALIKE), ("flatness_window_db", 1.009, [1.0] * 8)).startswith(
        "Most unusual: bass limit −6 dB"
    )


def test_nobody_is_said_to_be_above_who_is_level():
    # five others have its value, three a lower one
    assert "higher than 3 of 8 others" in unusual(("f6_hz", 50.0, [40.0, 41.0, 42.0, *[50.0] * 5]))
    assert "lower than 3 of 8 others" in unusual(("f6_hz", 50.0, [60.0, 61.0, 62.0, *[50.0] * 5]))


@pytest.mark.parametrize(
    "column",
    [("f6_hz", 20.0, ALIKE[:7]), ("f6_hz", 20.0, ALIKE, "at_most"), ("reference_level_db", 20.0, ALIKE)],
)
def test_bounds_few_others_and_settings_of_the_measurement_are_never_unusual(column):
    assert unusual(column) == "Unusual: not judged yet, since fewer than 8 other speakers share a metric with it."


def test_why_no_relative_can_be_named_is_told():
    def match(*_, **__):
        raise RequestError("it has no curves")

    assert sentences._relative(SimpleNamespace(match=match), "a") == "Measures most like: it has no curves."


def test_alone_a_speaker_measures_like_nobody(tmp_path):
    write_session(tmp_path / "in")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as alone:
        alone.ingest(tmp_path / "in")
        assert about(alone, "alder-fen-sill-5")[1] == "Measures most like: none yet, it is the only speaker."


def test_a_claim_is_told_step_by_step(base):
    answer = base.claim("alder-fen-loud", exact=True)
    # 112 dB of two at 2 m: 3.0 dB less of one, 6.0 dB more at 1 m
    assert answer.sentences[:2] == [
        "Claimed: 112 dB by a pair at 2 m.",
        "That is 115.0 dB from one speaker at 1 m (−3.0 dB for the second speaker, +6.0 dB for the "
        "distance), in free field with "
        "uncorrelated sound.",
    ]
    assert answer.sentences[-1] == "Whether the claim is met can't be judged: the compression-limited level is unknown."
    assert [s for s in answer.sentences[2:4] if "withheld" in s.lower()] == answer.sentences[2:4]
    with pytest.raises(RequestError, match="no claimed maximum level is recorded for alder-fen-a"):
        base.claim("alder-fen-a", exact=True)


class Measured:
    """A field of two, of which the second has the levels (value, censored) that are given, and claims what is given."""

    def __init__(self, maximum, music, sensitivity=(88.0, "none"), **claims):
        claimed = {"claimed_max_db": 110.0, "claim_pair": None, "claim_distance_m": None} | claims
        self.base = pl.DataFrame(
            [
                {"speaker": "other", "setting": "plain", **dict.fromkeys(claimed)},
                {"speaker": "a", "setting": "plain", **claimed},
            ]
        )
        given = {"max_level_db": maximum, "programme_level_db": music, "sensitivity_db": sensitivity}
        self._figures = {
            m: judging.interval(np.array([150.0, v]), ["none", c], np.array(["", f"{m} withheld"]))
            for m, (v, c) in given.items()
        }

    def figures(self, names):
        return {name: self._figures[name] for name in names}


def test_a_claim_is_set_against_the_maximum_level_and_what_may_explain_it_is_told_only_where_it_is_not_met():
    answer = claiming.claim(Measured((105.0, "none"), (102.0, "none")), "a", "plain")
    assert (answer.verdict, answer.distance_assumed, answer.pair) == ("not_met", True, False)
    assert answer.unexplained == (5.0, 5.0)
    assert answer.beyond_music == (8.0, 8.0)
    assert answer.measured["max_level_db"][:2] == (105.0, 105.0)
    assert [e["what"] for e in answer.may_explain] == [e["what"] for e in claims.may_explain(False)]
    assert answer.amplifier_w == pytest.approx(10.0 ** ((110.0 - 88.0) / 10.0))  # 22 dB above the level of 1 W
    met = claiming.claim(
        Measured((110.0, "none"), (109.0, "none"), claim_pair=False, claim_distance_m=1.0), "a", "plain"
    )
    assert (met.verdict, met.may_explain, met.distance_assumed) == ("met", [], False)
    pair = claiming.claim(Measured((100.0, "none"), (99.0, "none"), claim_pair=True), "a", "plain")
    assert len(pair.may_explain) == 3
    bound = claiming.claim(Measured((105.0, "at_least"), (102.0, "none"), (np.nan, "none")), "a", "plain")
    assert bound.measured["max_level_db"][:2] == (105.0, None)
    assert (bound.unexplained, bound.amplifier_w) == ((None, 5.0), None)


def test_a_claim_that_is_not_met_is_told_with_what_may_explain_it():
    answer = claiming.ClaimAnswer(
        speaker="a",
        setting="plain",
        claimed_db=112.0,
        pair=False,
        distance_m=1.0,
        distance_assumed=True,
        single_db=112.0,
        measured={"max_level_db": (105.0, 105.0, None), "programme_level_db": (102.0, 102.0, None)},
        unexplained=(7.0, 7.0),
        beyond_music=(10.0, 10.0),
        amplifier_w=398.4,
        verdict="not_met",
        may_explain=[{"what": "the peak", "db": 3.01}, {"what": "the floor", "db": 6.02}],
        sentences=[],
    )
    assert claiming._sentences(answer) == [
        "Claimed: 112 dB by one speaker at 1 m (no distance stated: 1 m taken, as is customary).",
        "That is 112.0 dB from one speaker at 1 m, in free field with uncorrelated sound.",
        "Compression-limited SPL measured: 105.0 dB.",
        "Programme SPL measured: 102.0 dB.",
        "Against the compression-limited level 7.0 dB of the claim are left unexplained.",
        "Music at full range reaches 10.0 dB less than claimed.",
        "By its sensitivity the claim asks for 398 W into 8 Ω before any compression, for each speaker.",
        "What makers count without saying so (common practice, no source): the peak (3.0 dB), the floor (6.0 dB).",
    ]


@pytest.mark.parametrize(
    ("verdict", "left", "said"),
    [
        ("met", (None, -1.0), "The compression-limited level bears the claim out."),
        ("about_met", (0.5, 0.5), "The compression-limited level bears the claim out to within 1 dB."),
        (
            "not_judged",
            (None, None),
            "Whether the claim is met can't be judged: the compression-limited level is unknown.",
        ),
        (
            "not_judged",
            (-1.0, 4.0),
            "Whether the claim is met can't be judged: what is left unexplained is between −1.0 and 4.0 dB.",
        ),
    ],
)
def test_a_verdict_in_words(verdict, left, said):
    answer = claiming.ClaimAnswer(
        "a", "plain", 110.0, False, 1.0, False, 110.0, {}, left, (None, None), None, verdict, [], []
    )
    assert said in claiming._sentences(answer)
    assert len(claiming._sentences(answer)) == 3


# what stands beside values


def beside(*rows):
    columns = {
        "metric": "f6_hz",
        "session": None,
        "status": "ok",
        "setting": "plain",
        "value": 52.0,
        "censored": "none",
        "other_value": None,
        "other_share": None,
        "noise_limited": False,
        "disagree": False,
        "reason": None,
    }
    frame = pl.DataFrame(
        [columns | row for row in rows],
        schema_overrides={
            "session": pl.String,
            "other_value": pl.Float64,
            "other_share": pl.Float64,
            "reason": pl.String,
        },
    )
    return branching.cautions(frame)


def test_what_stands_beside_values_of_sessions_is_told_once():
    words = "the bench stopped at 21.4 V (57 W into 8 Ω), not the speaker"
    rows = [{"metric": m, "session": "a", "reason": words} for m in ("max_level_db", "programme_level_db")]
    assert beside({}, *rows) == [f"Compression-limited SPL; programme SPL: {words}"]


def test_a_value_that_is_one_of_two_names_both_and_how_often_it_is_the_other():
    two = {"other_value": 249.0, "other_share": 0.123}
    assert beside(two) == [
        "Bass limit −6 dB: 52.0 Hz, or 249.0 Hz in 12 of 100 repeats: in between, the response comes within "
        "its error of the limit"
    ]
    assert "in 1 of 100 repeats" in beside(two | {"other_share": 0.002})[0]
    wide = {"metric": "beamwidth_horizontal_deg", "value": 90.0, "other_value": 120.0, "other_share": 0.3}
    assert beside(wide)[0].endswith("in between, the pattern comes within its error of the limit")
    # of several settings each is named
    assert [told.split(":")[0] for told in beside(two, two | {"setting": "wall"})] == [
        "Bass limit −6 dB (plain)",
        "Bass limit −6 dB (wall)",
    ]
    assert beside(two | {"session": "ab"}) == []
    assert beside(two | {"status": "withheld"}) == []
    assert beside({}) == []


def test_values_that_noise_limits_and_sessions_that_disagree_are_listed():
    ids = ["f6_hz", "f3_hz", "preference", "max_level_db", "flatness_window_db"]
    (noisy,) = beside({"noise_limited": True, "metric": "nbd_on_axis_db"})
    assert noisy == (
        "Narrow-band deviation on axis: part of the value may be noise of the measurement; the interval "
        "reaches to where it would lie without"
    )
    words = ": sessions disagree by more than their errors, so the interval is widened"
    four = beside(*({"disagree": True, "metric": m} for m in ids[:4]))
    assert four == [f"Bass limit −6 dB; bass limit −3 dB; predicted preference; compression-limited SPL{words}"]
    five = beside(*({"disagree": True, "metric": m} for m in ids))
    assert five == [f"Bass limit −6 dB; bass limit −3 dB; predicted preference and 2 more{words}"]
