import numpy as np
import pytest

from speakerdb.statistics.settle import PARTS, Measured, outcomes, variance_parts, weights

LARGE = {"calibration": 0.5, "sample": 0.6, "run": 0.3, "session": 0.2}


def session(speaker, lab="shed", sample="1", run=None, number=1, **sd):
    run = run or f"{lab} {speaker} {sample} {number}"
    return Measured(speaker, lab, lab, f"{speaker} {sample}", run, f"{run} {number}", {**LARGE, **sd})


def simulated(a, b, draws=40_000):
    """The variance of the difference found by drawing every error once per key."""
    random = np.random.default_rng(1)
    errors: dict[tuple[str, str], np.ndarray] = {}
    total = np.zeros(draws)
    for sign, side in ((1, a), (-1, b)):
        for w, m in zip(weights(side), side, strict=True):
            for part in PARTS:
                key = (part, getattr(m, part))
                if key not in errors:
                    errors[key] = random.standard_normal(draws)
                total += sign * w * m.sd[part] * errors[key]
    return total.var()


FIELDS = {
    "one each, one lab": ([session("a")], [session("b")]),
    "one each, two labs": ([session("a")], [session("b", "barn")]),
    "two samples, repeats, two labs": (
        [session("a"), session("a", number=2), session("a", "barn"), session("a", sample="2")],
        [session("b", "barn", session=0.4), session("b", "barn", sample="2")],
    ),
    "side by side": ([session("a", run="r")], [session("b", run="r")]),
}


@pytest.mark.parametrize("name", FIELDS)
def test_parts_add_up_to_the_variance_that_drawing_finds(name):
    a, b = FIELDS[name]
    assert sum(variance_parts(a, b).values()) == pytest.approx(simulated(a, b), rel=0.03)


def test_what_both_share_cancels():
    parts = variance_parts(*FIELDS["side by side"])
    assert (parts["calibration"], parts["run"]) == (0.0, 0.0)
    assert parts["sample"] == pytest.approx(2 * 0.36)


def test_sessions_count_within_sample_and_lab_then_labs_then_samples():
    a = FIELDS["two samples, repeats, two labs"][0]
    assert weights(a).tolist() == [0.125, 0.125, 0.25, 0.5]


def best(a, b, labs=()):
    return outcomes(a, b, labs)[0]


def test_where_samples_vary_most_another_sample_settles_it():
    a, b = [session("a")], [session("b")]
    b[0].sd["sample"] = 0.1
    a[0].sd["sample"] = 2.0
    found = best(a, b)
    assert (found.what, found.speakers) == ("sample", ("a",))
    # two samples: the variance of a's part is halved
    assert found.width < 0.75 * found.before


def test_where_labs_differ_most_measuring_in_the_others_lab_settles_it():
    a, b = ([session(s, lab)] for s, lab in (("a", "shed"), ("b", "barn")))
    for m in (*a, *b):
        m.sd.update(calibration=2.0, sample=0.1)
    found = outcomes(a, b, [])
    assert found[0].what in ("lab", "together")
    single = next(o for o in found if len(o.speakers) == 1)
    assert single.what == "lab"
    assert single.lab == {"a": "barn", "b": "shed"}[single.speakers[0]]


def test_where_the_level_of_a_run_counts_most_both_side_by_side_settle_it():
    a, b = [session("a")], [session("b")]
    for m in (*a, *b):
        m.sd.update(run=1.5, sample=0.1, session=0.1)
    assert best(a, b).what == "together"


def test_the_expected_width_is_that_of_the_larger_set():
    a, b = [session("a")], [session("b", "barn")]
    repeat = next(o for o in outcomes(a, b, []) if o.what == "repeat" and o.speakers == ("a",))
    more = [*a, session("a", number=2)]
    assert repeat.width == pytest.approx(2 * 1.96 * np.sqrt(sum(variance_parts(more, b).values())), rel=1e-4)
    scaled = next(o for o in outcomes(a, b, [], width=1.0) if o.what == "repeat" and o.speakers == ("a",))
    assert scaled.width == pytest.approx(repeat.width / repeat.before)


def test_what_cannot_help_is_not_proposed():
    a, b = [session("a")], [session("b")]
    for m in (*a, *b):
        m.sd.update(run=0.0, session=0.0)  # one lab, so calibration cancels: only the samples blur the difference
    assert {o.what for o in outcomes(a, b, ["barn"])} == {"sample"}
    for m in (*a, *b):
        m.sd.update(sample=0.0)
    assert outcomes(a, b, []) == []
