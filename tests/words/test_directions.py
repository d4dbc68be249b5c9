"""Every sentence, chart and table that says a direction says the opposite where its two sides are exchanged."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.analysis.adjustments import Control, Reach, WallSum
from speakerdb.analysis.frontier import tradeoff
from speakerdb.analysis.properties import of_fact, of_metric
from speakerdb.answering import claiming, method_figures, ranking
from speakerdb.answering.setting_changes import ControlReach, WallAnswer
from speakerdb.answering.standing import Place
from speakerdb.charts import field_chart, output_chart, tradeoff_chart
from speakerdb.charts.quantity import plotted
from speakerdb.cli import tradeoff_text
from speakerdb.metrics import METRICS
from speakerdb.report import loudness, sheet, words, worth
from speakerdb.words import match_words, room_words, settings_words
from tests.analysis.columns import column
from tests.charts import frames

LOW_IS_BETTER, HIGH_IS_BETTER, NEITHER = "f6_hz", "programme_level_db", "di_power_mean_db"
RANKED = [m for m in METRICS.values() if m.ranked]


def opposite(said: str, exchanged: str, word: str, other: str) -> None:
    """Each holds its own of two words and not the other."""
    for text, mine, theirs in ((said, word, other), (exchanged, other, word)):
        assert re.search(rf"(?<!\w){re.escape(mine)}(?!\w)", text), (mine, text)
        assert not re.search(rf"(?<!\w){re.escape(theirs)}(?!\w)", text), (theirs, text)


# places


def first_and_last(metric) -> tuple[str, str]:
    """What the first and the last in a metric are called, by what it measures."""
    if re.fullmatch(r"(sub_)?f(3|6|10)_hz", metric.id):
        return "deepest", "highest"
    if re.fullmatch(r"max_level_db|programme_level_(managed_)?db|sub_max_level_.*", metric.id):
        return "loudest", "quietest"
    if re.match(r"(flatness|half_range|nbd)_|ripple_in_room|beamwidth_.*_sd_oct|di_.*_ripple", metric.id):
        return "most even", "least even"
    if re.match(r"(beamwidth|tone_width)_(horizontal|vertical)_deg", metric.id):
        return "widest", "narrowest"
    return ("lowest", "highest") if metric.better == "low" else ("highest", "lowest")


@pytest.mark.parametrize("metric", RANKED, ids=lambda m: m.id)
def test_first_and_last_are_called_by_their_ends(metric):
    place = Place(metric, 41.0, 40.0, 42.0, "none", 1, 1, 1, True, 41)
    first, last = first_and_last(metric)
    best, worst = (words.standing(replace(place, rank_low=r, rank_high=r), "monitors") for r in (1, 41))
    assert (best.split(": ")[1], worst.split(": ")[1]) == (
        f"the {first} of 41 monitors.",
        f"the {last} of 41 monitors.",
    )
    high, low = (
        words.standing(replace(place, rank_low=a, rank_high=b, superlative=False), "monitors")
        for a, b in ((2, 9), (33, 40))
    )
    assert (high.split(": ")[1], low.split(": ")[1]) == (
        f"among the {first} fifth of 41 monitors.",
        f"among the {last} fifth of 41 monitors.",
    )


def test_where_neither_is_better_places_count_from_the_end_that_is_named():
    place = Place(METRICS["beamwidth_horizontal_deg"], 41.0, 40.0, 42.0, "none", 5, 3, 35, False, 41)
    assert "3rd to 35th of 41 monitors from the widest." in words.standing(place, "monitors")
    assert "from the" not in words.standing(replace(place, metric=METRICS["f6_hz"]), "monitors")


@pytest.mark.parametrize(
    ("metric", "first", "last"), [(LOW_IS_BETTER, "at_least", "at_most"), (HIGH_IS_BETTER, "at_most", "at_least")]
)
def test_who_stands_first_or_last_by_a_bound_may_be_worse_or_better(metric, first, last):
    def said(*censored):
        return ranking._bounds(METRICS[metric], pl.DataFrame({"speaker": ["a", "b", "c"], "censored": censored}))

    assert said(first, "none", last) == [
        "a stands first by a bound: its true value may be worse",
        "c stands last by a bound: its true value may be better",
    ]
    assert said(last, "none", first) == []  # what is first and may be better still is first
    assert said("none", first, "none") == []


def test_the_texts_say_which_way_is_better():
    for metric in RANKED:
        told = method_figures.row(metric)
        ways = {"high": "More is better", "low": "Less is better", "neither": "Neither direction is better"}
        assert [way for way in ways.values() if f"{way}; a difference" in told] == [ways[metric.better]]


# values and bounds


def test_bounds_say_their_side():
    f6 = METRICS["f6_hz"].quantity
    opposite(f6.interval_text(None, 43.0), f6.interval_text(43.0, None), "≤", "≥")
    opposite(f6.text(43.0, "at_most"), f6.text(43.0, "at_least"), "≤", "≥")
    opposite(f6.said(43.0, "at_most"), f6.said(43.0, "at_least"), "at most", "at least")
    opposite(claiming.bound_text(None, 3.0), claiming.bound_text(3.0, None), "≤", "≥")
    opposite(room_words.chance_text(0.0, 0.3), room_words.chance_text(0.3, 1.0), "at most", "at least")
    fails = pl.DataFrame(
        {"key": [0, 1], "what": ["level"] * 2, "by": [1.2] * 2, "unit": ["dB"] * 2, "at_least": [True, False]}
    )
    assert room_words.misses_text(fails, 0) == "level by at least 1.2 dB"
    assert room_words.misses_text(fails, 1) == "level by 1.2 dB"


def test_differences_say_their_sign():
    flat, f6 = METRICS["flatness_window_db"], METRICS["f6_hz"]
    opposite(
        words.difference(flat, "X", 1.2, 0.8, 1.6, "yes"),
        words.difference(flat, "X", -1.2, -1.6, -0.8, "yes"),
        "higher",
        "lower",
    )
    opposite(
        words.difference(f6, "X", 0.8, 0.7, 0.9, "yes"),
        words.difference(f6, "X", 1.25, 1.1, 1.4, "yes"),
        "0.80",
        "1.25",
    )
    opposite(
        match_words.verdict({"distinguishable": True}),
        match_words.verdict({"distinguishable": False}),
        "measures differently",
        "can't tell them apart",
    )


# one speaker


def shown(**rows):
    """Pooled rows of `show`: metric -> (value, low, high, censored)."""
    return pl.DataFrame(
        [
            {
                "metric": m,
                "session": None,
                "status": "ok",
                "reason": None,
                "value": v,
                "low": low,
                "high": high,
                "censored": c,
            }
            for m, (v, low, high, c) in rows.items()
        ],
        schema_overrides={"session": pl.String, "reason": pl.String},
    )


def test_the_treble_rises_or_falls_on_the_way_to_the_best_angle_which_is_more_even():
    def said(treble_db, angle_deg=20.0, gain_db=0.3):
        return sheet._angle(
            shown(
                best_listening_angle_deg=(angle_deg, None, None, "none"),
                best_listening_angle_gain_db=(gain_db, 0.1, 0.5, "none"),
                best_listening_angle_treble_db=(treble_db, None, None, "none"),
            )
        )

    falls, rises = said(-1.5), said(1.5)
    opposite(falls[-1], rises[-1], "falls", "rises")
    assert falls[-1] == "The treble falls by 1.5 dB on the way."
    assert falls[0] == "Most even at 20° off its axis: narrow-band deviation is 0.30 dB lower there."
    assert said(0.0, angle_deg=0.0) == [
        "Best listened to on its axis: no other angle up to 30° is more even by more than 0.02 dB."
    ]
    matters = METRICS["best_listening_angle_gain_db"].matters
    assert not [s for s in said(-1.5, gain_db=matters * 1.01) if s.startswith("That is less than")]
    assert [s for s in said(-1.5, gain_db=matters * 0.99) if s.startswith("That is less than")]


def test_bounds_of_levels_are_told_by_their_side():
    def said(level):
        return loudness.sentences(shown(max_level_db=level))

    loud, above, below = (100.0, 99.0, 101.0, "none"), (102.0, 102.0, None, "at_least"), (90.0, None, 90.0, "at_most")
    assert (
        said(above)[0] == "Compression did not reach 3 dB at the highest drive: at 1 m it delivers at least 102.0 dB."
    )
    assert any("“at least” means" in s for s in said(above))
    assert not any("“at least” means" in s for s in said(loud))
    assert said(below)[0] == "At 1 m it delivers at most 90.0 dB where compression reaches 3 dB."


def claimed(**changes) -> claiming.ClaimAnswer:
    return replace(
        claiming.ClaimAnswer(
            speaker="a",
            setting="plain",
            claimed_db=110.0,
            pair=False,
            distance_m=1.0,
            distance_assumed=False,
            single_db=110.0,
            measured={},
            unexplained=(None, None),
            beyond_music=(None, None),
            amplifier_w=None,
            verdict="not_judged",
            may_explain=[],
            sentences=[],
        ),
        **changes,
    )


def test_what_is_left_of_a_claim_is_a_bound_of_its_side():
    for low, high, told in ((3.0, None, "≥ 3.0 dB"), (None, 3.0, "≤ 3.0 dB"), (2.0, 2.0, "2.0 dB")):
        said = claiming._sentences(claimed(verdict="not_met", unexplained=(low, high)))
        assert f"Against the compression-limited level {told} of the claim are left unexplained." in said
        said = claiming._sentences(claimed(beyond_music=(low, high)))
        assert (f"Music at full range reaches {told} less than claimed." in said) == (low is not None)
    opposite(
        *(" ".join(claiming._sentences(claimed(verdict=v))) for v in ("met", "about_met")),
        "out.",
        "out to within 1 dB.",
    )


def test_a_claim_at_a_distance_is_more_at_one_metre_and_of_a_pair_less_of_one():
    far, near = (claiming._sentences(claimed(distance_m=d))[1] for d in (2.0, 0.5))
    opposite(far, near, "+6.0 dB for the distance", "−6.0 dB for the distance")
    assert "(−3.0 dB for the second speaker)" in claiming._sentences(claimed(pair=True))[1]


# prices


def against_price(metric, value, odd):
    """A field that pays more for more, and one in its middle that has `odd`."""
    price = np.geomspace(200.0, 2000.0, len(value))
    value = np.array(value)
    value[len(value) // 2] = odd
    c = column(metric, value, se=0.01, price=price)
    x, y = of_fact("price", c, "EUR"), of_metric(c)
    found = tradeoff(c.facts, x, y, with_line=False)
    return found.rows.filter(speaker=c.facts["speaker"][len(value) // 2]), x, y


@pytest.mark.parametrize(
    ("metric", "value", "better", "worse"),
    [
        (LOW_IS_BETTER, np.geomspace(80.0, 40.0, 15) * np.tile([1.0, 1.02, 0.98], 5), 25.0, 130.0),
        (HIGH_IS_BETTER, np.linspace(98.0, 108.0, 15) + np.tile([0.0, 0.3, -0.3], 5), 115.0, 90.0),
    ],
)
def test_better_than_a_price_leads_to_expect_is_deeper_or_louder_and_worse_the_opposite(
    metric, value, better, worse, capsys
):
    above, below = (against_price(metric, value, odd) for odd in (better, worse))
    told = [worth.expected(rows.row(0, named=True), METRICS[metric], "bookshelf")[0] for rows, _, _ in (above, below)]
    opposite(*told, "better than expected", "worse than expected")
    cells = []
    for found in (above, below):
        tradeoff_text._trades(*found)
        cells.append(capsys.readouterr().out)
    opposite(*cells, "yes", "falls short")


def test_of_two_prices_the_one_beyond_the_rivals_is_on_the_other_side():
    def said(price, rival):
        row = {
            "x": price,
            "y": 5.4,
            "y_censored": "none",
            "beaten_from": rival,
            "beaten_by": "r",
            "beaten_reason": None,
        }
        prices = [{"kind": "list", "price": 500.0}, {"kind": "street", "price": 400.0}]
        return worth.front(row, METRICS["preference"], prices, "EUR", "Rival")

    assert said(400.0, 450.0).endswith(
        "on the front, up to 450 EUR (Rival); at its list price more likely beaten than not."
    )
    assert said(500.0, 450.0).endswith(
        "from 450 EUR (Rival) on it is more likely beaten than not; at its street price on the front."
    )
    row = {"x": 400.0, "y": 102.4, "beaten_from": None, "beaten_by": None, "beaten_reason": "bounds"}
    bounds = [
        worth.front(row | {"y_censored": c}, METRICS["max_level_db"], [], "EUR", "") for c in ("at_most", "at_least")
    ]
    opposite(*bounds, "at most", "at least")


# settings


def test_a_control_raises_or_lowers_and_the_flattest_setting_suits_the_wall():
    def reach(low_db, high_db):
        curve = np.zeros(len(FREQUENCY_HZ))
        at = int(np.argmin(np.abs(FREQUENCY_HZ - 100.0)))
        low, high = curve.copy(), curve.copy()
        low[at], high[at] = low_db, high_db
        told = Reach(low, high, ((90.0, 110.0),), float(FREQUENCY_HZ[at]))
        control = Control("bass", (("0", 0), ("1", 1)), {}, None)
        return settings_words.control_sentence(ControlReach(control, ("plain", "wall"), "plain", told))

    opposite(reach(-2.0, 0.0), reach(0.0, 2.0), "−2.0 to 0.0 dB", "0.0 to +2.0 dB")
    assert "moves the listening window by more than 0.5 dB from 90 to 110 Hz, most at 100 Hz" in reach(-2.0, 0.0)

    def wall(plain_db, desk_db):
        ripple = np.array([plain_db, desk_db])
        total = WallSum(np.zeros((2, len(FREQUENCY_HZ))), ripple, np.zeros(2))
        best = ("plain", "desk")[int(np.argmin(ripple))]
        return settings_words.wall_sentence(WallAnswer(0.5, 171.5, ("plain", "desk"), total, best, {}))

    assert wall(2.0, 3.0).endswith(
        "Flattest between 40 and 300 Hz: plain, 2.0 dB standard deviation, against desk 3.0 dB."
    )
    assert wall(3.0, 2.0).endswith(
        "Flattest between 40 and 300 Hz: desk, 2.0 dB standard deviation, against plain 3.0 dB."
    )


# charts


def tables(spec):
    """Name -> rows of the data of a specification."""
    return {name: json.loads(rows) if isinstance(rows, str) else rows for name, rows in spec["datasets"].items()}


def rows_with(spec, column):
    """The rows that have the column."""
    return [row for rows in tables(spec).values() for row in rows if column in row]


def strip(metric, value, censored="none", width=900):
    peers = pl.DataFrame({"metric": [metric] * 9, "value": np.linspace(20.0, 100.0, 9)})
    open_end = {"at_least": "high", "at_most": "low"}.get(censored)
    ends = {"low": value - 5.0, "high": value + 5.0} | ({open_end: None} if open_end else {})
    row = {"metric": metric, "value": value, "censored": censored, "text": "", "note": "", **ends}
    spec = field_chart.place(
        pl.DataFrame([row], schema_overrides={"low": pl.Float64, "high": pl.Float64}), peers, width=width
    ).to_dict()
    (found,) = rows_with(spec, "shape")
    return found, spec


@pytest.mark.parametrize(("metric", "better", "worse"), [(LOW_IS_BETTER, 25.0, 90.0), (HIGH_IS_BETTER, 90.0, 25.0)])
def test_on_a_strip_the_better_lies_to_the_right_and_a_bound_points_to_where_the_value_may_be(metric, better, worse):
    (right, spec), (left, _) = strip(metric, better), strip(metric, worse)
    assert left["at"] < 0.25
    assert right["at"] > 0.75
    assert (right["from"], right["to"]) == ("worse", "better")
    words_at = {
        tables(spec)[layer["data"]["name"]][0].get("text"): (layer["mark"]["align"], layer["encoding"]["x"]["value"])
        for layer in spec["layer"]
        if layer["mark"]["type"] == "text" and "value" in layer["encoding"]["x"]
        if "data" in layer
    }
    assert words_at["← worse"] == ("left", 0)
    assert words_at["better →"][0] == "right"
    assert words_at["better →"][1] > 300
    higher, lower = ("left", "right") if metric == LOW_IS_BETTER else ("right", "left")
    for censored, side in (("at_least", higher), ("at_most", lower)):
        found, _ = strip(metric, 60.0, censored)
        assert found["shape"] == f"triangle-{side}"
        assert max(found["low"], found["high"]) == 1.0 if side == "right" else min(found["low"], found["high"]) == 0.0


def test_where_neither_is_better_a_strip_runs_from_low_to_high():
    found, _ = strip(NEITHER, 90.0)
    assert (found["from"], found["to"]) == ("low", "high")
    assert found["at"] > 0.75
    assert found["strip"].endswith("(low to high)")


def shapes_of(chart):
    """What each kind of bound is drawn as, for every scale of shapes of a chart."""
    found, open_ = [], [chart.to_dict()]
    for one in open_:
        if isinstance(one, dict):
            scale = one.get("shape", {}).get("scale") if isinstance(one.get("shape"), dict) else None
            found += [dict(zip(scale["domain"], scale["range"], strict=True))] if scale else []
            open_ += one.values()
        elif isinstance(one, list):
            open_ += one
    return [shapes for shapes in found if "at_most" in shapes]


def test_bounds_point_to_where_the_true_value_lies_along_their_axis():
    f6 = plotted("f6_hz")
    points, line = frames.trend()
    kinds, middle = frames.groups()
    up_and_down = [
        output_chart.usable_output(frames.usable_output(), []),
        tradeoff_chart.trend(points, line, plotted("year"), f6),
    ]
    for chart in up_and_down:
        assert shapes_of(chart)
        for shapes in shapes_of(chart):
            assert (shapes["at_most"], shapes["at_least"]) == ("triangle-down", "triangle-up")
    sideways = [
        field_chart.ranking(frames.ranking(["a", "b", "c"]), f6),
        tradeoff_chart.groups(kinds, middle, plotted("year"), f6),
    ]
    for chart in sideways:
        assert shapes_of(chart)
        for shapes in shapes_of(chart):
            assert (shapes["at_most"], shapes["at_least"]) == ("triangle-left", "triangle-right")


@pytest.mark.parametrize(("metric", "more", "less"), [("f6_hz", 1.25, 0.8), ("flatness_window_db", 0.7, -0.7)])
def test_differences_lie_right_where_the_first_is_higher_and_left_where_it_is_lower(metric, more, less):
    rows = pl.DataFrame(
        [(metric, d, d, d, "yes") for d in (more, less)],
        schema=["metric", "difference", "low", "high", "matters"],
        orient="row",
    )
    right, left = (r["difference"] for r in rows_with(field_chart.differences(rows).to_dict(), "difference"))
    assert right > 0 > left


@pytest.mark.parametrize(("better", "taken"), [("high", ["c", "b"]), ("low", ["a", "b"])])
def test_the_frontier_steps_over_what_can_be_had(better, taken):
    # of rising x and falling y, or of both rising: who has the better of one has the worse of the other
    x = replace(plotted("f6_hz"), better=better, log=False)
    y = replace(plotted("max_level_db"), better="high")
    rows = pl.DataFrame({"speaker": ["a", "b", "c"], "x": [1.0, 2.0, 3.0], "y": [2.0, 3.0, 2.0]})
    assert tradeoff_chart._frontier(rows, x, y)["speaker"].to_list() == taken
    # between two of its members only the worse x is to be had, with the y of the one that has the better x: drawn by
    # rising x
    assert tradeoff_chart._steps(x) == {"high": "step-before", "low": "step-after"}[better]
