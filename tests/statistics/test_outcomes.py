import numpy as np
import pytest

from speakerdb.statistics.contrasts import best
from speakerdb.statistics.outcomes import NEW_RUN, NEW_SESSION, Bench, outcomes
from tests.statistics.measured import drawn, session

SHED, BARN = Bench("/shed||", "shed", "shed"), Bench("/barn||", "barn", "barn")


def told(a, b, benches=(SHED, BARN), **more):
    return outcomes(a, b, benches, best(a, b, **more), **more)


@pytest.mark.parametrize("another_unit", [False, True])
@pytest.mark.parametrize("what", ["repeat", "lab", "together"])
def test_the_chance_is_how_often_a_measurement_that_is_drawn_settles_it(what, another_unit):
    a, b = [session("a"), session("a", "barn")], [session("b", "barn")]
    present = best(a, b, another_unit=another_unit)
    found = next(
        o
        for o in outcomes(a, b, (SHED, BARN), present, another_unit=another_unit)
        if o.what == what and o.sides in {(1,), (0, 1)}
    )
    key = "/barn||" if found.bench == "barn" else "/shed||"
    more = [session(s, found.bench, run=NEW_RUN, number=NEW_SESSION) for s in "ab"]
    assert more[0].bench == key
    new = best([*a, *more[:1]] if 0 in found.sides else a, [*b, more[1]], another_unit=another_unit)
    random, n, seen = np.random.default_rng(3), 200_000, 0.9
    errors: dict = {}
    before, after = (
        drawn(c.a.sessions, c.b.sessions, errors, random, n, another_unit=another_unit) for c in (present, new)
    )
    # the present estimate is `seen`, whatever the truth: so it is seen − its error, and the next estimate that truth
    # with the next error
    estimate = seen - before + after
    least = 1.96 * found.sd
    assert found.sd == pytest.approx(after.std(), rel=0.02)
    assert found.chance(seen, least) == pytest.approx((np.abs(estimate) > least).mean(), abs=0.006)


def test_where_samples_vary_most_another_sample_helps_most_who_would_buy():
    a, b = [session("a", sample_sd=2.0)], [session("b", sample_sd=0.1)]
    found = told(a, b, another_unit=True)[0]
    assert (found.what, found.sides) == ("sample", (0,))
    assert "sample" not in {o.what for o in told(a, b)}  # of the units measured, no other sample tells


def test_where_benches_differ_most_one_speaker_in_the_others_lab_helps():
    sizes = {"bench_sd": 2.0, "level": 0.0}
    a, b = [session("a", **sizes)], [session("b", "barn", **sizes)]
    single = [o for o in told(a, b) if len(o.sides) == 1]
    assert single[0].what == "lab"
    assert single[0].bench == {0: "barn", 1: "shed"}[single[0].sides[0]]
    assert single[0].sd == pytest.approx(
        np.sqrt(2) * 0.2
    )  # of one bench: what both sessions have to themselves is left


def test_where_the_level_of_a_run_counts_most_both_side_by_side_help_most():
    a, b = [session("a", level=1.5)], [session("b", level=1.5)]
    best_of = told(a, b)[0]
    assert (best_of.what, best_of.sides) == ("together", (0, 1))
    assert best_of.sd == pytest.approx(np.sqrt(2) * 0.2)


def test_a_repeat_halves_the_variance_of_what_a_session_has_to_itself():
    sizes = {"level": 0.0, "bench_sd": 0.0}
    a, b = [session("a", **sizes)], [session("b", own=0.0, **sizes)]
    repeat = next(o for o in told(a, b, benches=(SHED,)) if o.what == "repeat" and o.sides == (0,))
    assert repeat.sd == pytest.approx(0.2 / np.sqrt(2))
    assert repeat.spread == pytest.approx(0.2 / np.sqrt(2))


def test_what_cannot_help_is_not_proposed():
    a, b = ([session(s, own=0.0, level=0.0)] for s in "ab")
    assert told(a, b) == []


def test_an_estimate_that_cannot_move_settles_it_surely_or_not_at_all():
    a, b = [session("a", level=0.0, bench_sd=0.0)], [session("b", level=0.0, bench_sd=0.0)]
    outcome = told(a, b)[0]
    still = type(outcome)(outcome.what, outcome.sides, outcome.bench, outcome.sd, 0.0)
    assert (still.chance(1.0, 0.5), still.chance(-1.0, 0.5), still.chance(0.2, 0.5)) == (1.0, 1.0, 0.0)
