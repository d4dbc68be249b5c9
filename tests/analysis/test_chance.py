"""How likely a speaker meets a question: the room's uncertainty is one for all, the measurement's belongs to each."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speakerdb.acoustics import room
from speakerdb.analysis import chance, seat
from tests.analysis.rooms import ask, judge, one

OPEN_BALANCE = {"balance_level_db": (130.0, "at_least")}


def normal_draws(mean, sd, speakers=1, count=400):
    """(speakers, count): a normal distribution in steps of equal probability, for each in an order of its own."""
    steps = np.array([NormalDist(mean, sd).inv_cdf((i + 0.5) / count) for i in range(count)])
    order = np.random.default_rng(5)
    return np.stack([order.permutation(steps) for _ in range(speakers)]).astype(np.float32)


def margin(changes, question):
    return one(changes, question)[1]["margin_db"]


@pytest.mark.parametrize("short_db", [-4.0, -1.5, 0.0, 1.0, 2.5, 5.0])
@pytest.mark.parametrize("sd_db", [0.0, 0.7, 3.0])
def test_normal_errors_of_room_and_measurement_add_as_squares(short_db, sd_db):
    speaker = {"max_level_db": 105.0, **OPEN_BALANCE}
    question = ask(level_db=100.0 + margin(speaker, ask()) + short_db)
    draws = {"max_level_db": normal_draws(105.0, sd_db, 40)} if sd_db else {}
    found = judge({str(i): speaker for i in range(40)}, question, draws=draws)
    chances = (found.rows if len(found.rows) else found.near_misses)["p_meets"].to_numpy()
    expected = NormalDist().cdf(-short_db / np.hypot(seat.MODEL_DB, sd_db))
    assert chances.mean() == pytest.approx(expected, abs=0.008)
    assert chances == pytest.approx(expected, abs=0.07)  # 400 draws each


def test_without_any_uncertainty_it_is_certain(monkeypatch):
    monkeypatch.setattr(seat, "MODEL_DB", 0.0)
    for level, expected in ((99.0, 1.0), (101.0, 0.0)):
        question = ask(level_db=level + margin({}, ask()))
        found = judge({"it": {}}, question)
        assert (found.rows if expected else found.near_misses)["p_meets"].to_list() == [expected]


def test_far_from_the_limit_it_is_certain_despite_the_room():
    assert one({}, ask(level_db=80.0))[1]["p_meets"] == 1.0
    assert one({}, ask(level_db=125.0))[1]["p_meets"] == 0.0


@settings(max_examples=25, deadline=None)
@given(st.floats(85, 110), st.floats(0, 6), st.floats(0.5, 5), st.floats(0, 1.5))
def test_a_higher_level_or_a_farther_seat_never_makes_a_speaker_likelier(level, more, near, farther):
    chances = []
    for question in (ask(level_db=level, distance_m=near, reverberation_s=None),
                     ask(level_db=level + more, distance_m=near + farther, reverberation_s=None)):  # fmt: skip
        chances.append(one({}, question)[1]["p_meets"])
    assert chances[0] >= chances[1]


def test_a_speaker_that_gives_more_is_never_less_likely_because_both_stand_in_one_room():
    names = {f"{level:g}": {"max_level_db": level, **OPEN_BALANCE} for level in np.arange(98.0, 114.0, 0.05)}
    found = judge(names, ask(reverberation_s=None))
    told = {
        r["speaker"]: r["p_meets"]
        for f in (found.rows, found.near_misses, found.too_far)
        for r in f.iter_rows(named=True)
    }
    assert np.all(np.diff([told[name] for name in names]) >= 0.0)


def test_the_chances_of_those_that_are_shown_are_the_same_without_the_others():
    names = {f"{level:g}": {"max_level_db": level, **OPEN_BALANCE} for level in np.arange(98.0, 114.0, 0.5)}
    every, some = (judge(names, ask(reverberation_s=None), most=most) for most in (None, 2))
    for all_rows, few_rows in ((every.rows, some.rows), (every.near_misses, some.near_misses)):
        assert few_rows["speaker"].to_list() == all_rows["speaker"].to_list()
        assert few_rows["p_meets"].to_list()[:2] == all_rows["p_meets"].to_list()[:2]
        assert few_rows["p_meets"][2:].is_null().all()
        assert len(few_rows) > 2


def test_a_level_known_as_at_least_has_a_lower_bound_only_and_one_known_as_at_most_an_upper_one():
    question = ask(level_db=100.0 + margin({}, ask()) - 1.0)
    low, high = (one({"max_level_db": (105.0, sign), **OPEN_BALANCE}, question) for sign in ("at_least", "at_most"))
    assert low[0] == "rows"
    assert low[1]["p_meets"] == low[1]["p_meets_low"] == pytest.approx(NormalDist().cdf(0.5), abs=0.003)
    assert low[1]["p_meets_high"] == 1.0
    assert high[1]["p_meets"] is None
    assert high[1]["p_meets_low"] == 0.0
    assert high[1]["p_meets_high"] == pytest.approx(NormalDist().cdf(0.5), abs=0.003)


def test_all_requirements_must_hold_in_the_same_draw():
    question = ask(level_db=100.0 + margin({}, ask()), f6_hz=50.0)
    found = judge({"it": {}}, question, draws={"f6_hz": normal_draws(50.0, 2.0)})
    assert found.rows["p_meets"].to_list() == pytest.approx([0.25], abs=0.04)  # two even chances, independent


def test_a_price_above_the_budget_leaves_no_chance():
    assert one({"price": 801.0}, ask(level_db=80.0, budget=800.0))[1]["p_meets"] == 0.0


def test_an_assumed_reverberation_time_spreads_the_level_by_its_own_share():
    """The spread that 400 drawn times give, against the level worked out for each time by itself."""
    place = seat.sit(ask(reverberation_s=None))
    drawn = chance.draw_room(place)
    di = np.full((1, 67), 5.0)
    nodes = np.array([seat.mean_gain_db(place, time, di)[0] for time in drawn.reverberation_s])
    times = np.exp(drawn.weight @ np.log(drawn.reverberation_s))
    exact = [
        float(room.seat_gain_db(5.0, 3.0, room.room_constant_m2(60.0, t, room.typical_surface_m2(60.0)))) for t in times
    ]
    assert drawn.weight @ nodes == pytest.approx(np.array(exact), abs=0.03)
    assert times.std() / times.mean() == pytest.approx(seat.REVERBERATION_SPREAD, rel=0.02)
    assert np.corrcoef(times, drawn.error_db)[0, 1] == pytest.approx(0.0, abs=0.15)


def test_the_room_is_drawn_alike_every_time():
    first, again = (chance.draw_room(seat.sit(ask())) for _ in range(2))
    assert np.array_equal(first.error_db, again.error_db)
    assert first.error_db.std() == pytest.approx(seat.MODEL_DB, rel=0.01)
