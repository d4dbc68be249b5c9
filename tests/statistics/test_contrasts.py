import numpy as np
import pytest

from speakerdb.statistics.contrasts import Chosen, Measured, best, contrast, covariance, narrower, widened
from tests.statistics.measured import SIZES, drawn, session


def simulated(a, b, *, another_unit=False, draws=60_000, seed=1):
    """The variance of the difference of the means, every error drawn."""
    return drawn(a, b, {}, np.random.default_rng(seed), draws, another_unit=another_unit).var()


FIELDS = {
    "one each, one lab": ([session("a")], [session("b")]),
    "one each, two labs": ([session("a")], [session("b", "barn")]),
    "two samples, repeats, two labs": (
        [session("a"), session("a", number=2), session("a", "barn"), session("a", sample="2")],
        [session("b", "barn", own=0.4), session("b", "barn", sample="2")],
    ),
    "side by side": ([session("a", run="r")], [session("b", run="r")]),
    "partly side by side": ([session("a", run="r"), session("a")], [session("b", run="r")]),
    "one unit in two settings": ([session("a", number=1)], [session("a", number=2)]),
    "one unit, and two": ([session("a", number=1)], [session("a", number=2), session("a", sample="2")]),
}


@pytest.mark.parametrize("another_unit", [False, True])
@pytest.mark.parametrize("name", FIELDS)
def test_the_variance_of_all_sessions_is_what_drawing_every_error_gives(name, another_unit):
    a, b = FIELDS[name]
    found = contrast(a, b, another_unit=another_unit)
    assert found.variance == pytest.approx(simulated(a, b, another_unit=another_unit), rel=0.03)


def test_within_one_run_level_and_bench_cancel():
    found = contrast(*FIELDS["side by side"])
    assert found.variance == pytest.approx(2 * SIZES["own"] ** 2)


def test_another_unit_adds_one_and_one_nth_of_a_samples_variance_on_each_side():
    a, b = [session("a", sample=s, run=s, own=0.0, level=0.0) for s in "123"], [session("b", own=0.0, level=0.0)]
    assert contrast(a, b).variance == pytest.approx(0.0, abs=1e-12)  # one bench: it cancels
    assert contrast(a, b, another_unit=True).variance == pytest.approx((1 + 1 / 3 + 1 + 1) * 0.6**2)


def test_of_one_unit_in_two_settings_its_own_spread_cancels_for_another_unit_too():
    a, b = FIELDS["one unit in two settings"]
    assert contrast(a, b, another_unit=True).variance == contrast(a, b).variance


def test_sessions_count_within_sample_and_lab_then_labs_then_samples():
    a = FIELDS["two samples, repeats, two labs"][0]
    assert Chosen(tuple(a)).weights == (0.125, 0.125, 0.25, 0.5)


def test_sessions_of_one_run_are_taken_where_all_would_blur_the_difference():
    a = [session("a", run="r", x=1.0), session("a", "barn", x=9.0)]
    b = [session("b", run="r", x=0.4)]
    found = best(a, b)
    assert (found.what, found.difference) == ("one run", pytest.approx(0.6))
    assert found.variance == pytest.approx(2 * SIZES["own"] ** 2)


def test_sessions_of_one_lab_are_taken_where_no_run_is_common():
    a = [session("a", x=1.0), session("a", "barn", x=9.0)]
    b = [session("b", x=0.4)]
    found = best(a, b)
    assert (found.what, found.difference) == ("one lab", pytest.approx(0.6))
    assert found.variance == pytest.approx(2 * (SIZES["own"] ** 2 + SIZES["level"] ** 2))


def test_a_bench_is_a_lab_with_one_method_and_one_calibration():
    a, b = [session("a", x=1.0), session("a", "barn")], [session("b")]
    other = [Measured(**{**vars(b[0]), "bench": "/shed|gated|"})]
    assert best(a, b).what == "one lab"
    assert best(a, other).what == "all"


def test_all_sessions_are_taken_where_more_of_them_say_more():
    # errors of bench are small: four sessions in two labs beat one each
    small = {"bench_sd": 0.05, "level": 0.0}
    a = [session("a", **small), session("a", "barn", **small)]
    b = [session("b", **small), session("b", "barn", **small)]
    assert best(a, b).what == "all"


def test_where_a_choice_has_no_less_variance_than_all_it_is_all():
    a, b = [session("a")], [session("b")]
    assert best(a, b).what == "all"
    # the pooled standard error may be known better: a choice must beat that too
    many = [session("a"), session("a", "barn")]
    assert best(many, b).what == "one lab"
    assert best(many, b, of_all=0.01).what == "all"


def test_sessions_of_one_run_are_taken_though_they_are_all_there_is():
    # ranks take the level of a run as each speaker's own, so all of them have more variance there
    a, b = FIELDS["side by side"]
    assert best(a, b).what == "one run"
    assert best(*([Measured(**{**vars(m), "level": 0.0}) for m in side] for side in (a, b))).what == "all"


def test_a_value_that_is_one_of_two_stands_alone_or_not_at_all():
    two = {"other": (3.0, 0.2, 0.4)}
    a, b = [session("a", **two), session("a", number=2)], [session("b"), session("b", "barn")]
    assert narrower(a, b) == []
    assert [c.what for c in narrower(a[:1], b)] == ["one lab"]


def test_contrasts_of_the_same_sessions_have_their_variance_as_covariance():
    a, b = FIELDS["two samples, repeats, two labs"]
    every = contrast(a, b, another_unit=True)
    assert covariance(every.loads, every.loads) == pytest.approx(every.variance)
    apart = contrast([session("c", "mill")], [session("d", "mill")])
    assert covariance(every.loads, apart.loads) == 0.0


def test_sessions_that_disagree_are_no_surer_one_by_one_than_their_mean_says():
    a = [session("a", x=10.0, bench_sd=0.0, own=0.3), session("a", "barn", x=13.0, bench_sd=0.0, own=0.3)]
    wide = widened(a, 1.5**2)  # 10 and 13: s/√2 = 1.5 (method:statistics#sessions-that-disagree)
    assert Chosen(tuple(wide)).own_variance + 0.5 * SIZES["level"] ** 2 == pytest.approx(1.5**2)
    assert [m.own for m in wide] == [pytest.approx(np.sqrt(2 * 1.5**2 - 0.3**2))] * 2
    assert [m.own for m in widened(a, 0.0)] == [0.3, 0.3]  # never surer than stated


def test_whatever_sessions_are_taken_the_interval_holds_the_true_difference_in_95_of_100():
    # truth and errors drawn here, every error once for all that share it; of each pair the contrast of least variance
    random, held, taken = np.random.default_rng(17), [], set()
    for _ in range(4000):
        truth = dict(zip("ab", random.normal(0, 1, 2), strict=True))
        level = {run: random.normal(0, 0.3) for run in ("r", "s", "t")}
        bench = {lab: random.normal(0, 0.5) for lab in ("shed", "barn")}
        sides = []
        for speaker in "ab":
            side = []
            for number in range(random.integers(1, 4)):
                run, lab = str(random.choice(["r", "s", "t"])), str(random.choice(["shed", "barn"]))
                x = truth[speaker] + level[run] + bench[lab] + random.normal(0, 0.2)
                side.append(session(speaker, lab, run=run, number=number, x=x))
            sides.append(side)
        found = best(*sides)
        taken.add(found.what)
        held.append(abs(found.difference - (truth["a"] - truth["b"])) < 1.96 * found.variance**0.5)
    assert taken == {"one run", "one lab", "all"}
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)
