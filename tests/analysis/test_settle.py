import pytest

from speakerdb.analysis.settle import overall, settle
from speakerdb.statistics.settle import PARTS, Measured, parts_of
from tests.analysis.columns import column


def session(speaker, lab="shed", **sd):
    parts = dict.fromkeys(PARTS, 0.1) | sd
    return Measured(speaker, lab, lab, f"{speaker} 1", f"{lab} {speaker}", speaker, parts)


def test_two_that_cannot_be_told_apart_get_the_measurement_that_helps_most_with_its_expected_interval():
    c = column("f6_hz", [50.0, 51.0], se=2.0)
    frame = settle([c], (0, 1), {"f6_hz": ([session("a", sample=2.0)], [session("b", session=0.5)])})
    first = frame.row(0, named=True)
    assert first["words"] == "measure another sample of a in shed"
    assert first["width"] == pytest.approx(2 * 1.96 * 2.0 * 2**0.5, rel=0.1)
    assert 0.6 < first["share"] < 0.8
    assert not first["would_settle"]
    assert frame["expected_width"].is_sorted()


def test_what_differs_already_or_is_a_bound_or_withheld_needs_no_settling():
    sides = ([session("a")], [session("b")])
    clear = column("f6_hz", [40.0, 60.0], se=0.5)
    bound = column("max_level_db", [100.0, 100.5], at_least=[1])
    withheld = column("f3_hz", [40.0, 40.0], withheld=[0])
    assert settle([clear, bound, withheld], (0, 1), dict.fromkeys(("f6_hz", "max_level_db", "f3_hz"), sides)).is_empty()


def test_a_measurement_is_judged_over_all_undecided_metrics():
    columns = [column("f6_hz", [50.0, 50.5], se=1.0), column("di_power_mean_db", [7.0, 7.1], se=0.2)]
    sides = {
        "f6_hz": ([session("a", sample=1.0)], [session("b", sample=1.0)]),
        "di_power_mean_db": ([session("a", session=1.0)], [session("b", sample=0.3)]),
    }
    frame = settle(columns, (0, 1), sides)
    best = overall(frame)
    assert best["share"].is_sorted()
    assert best["share"].max() < 1.0
    one = best.filter(words="measure another sample of b in shed").row(0, named=True)
    assert one["share"] == pytest.approx(frame.filter(words=one["words"])["share"].mean())


def test_parts_of_a_standard_error():
    parts = parts_of(se=0.7, se_unit=0.5, se_calibration=0.3, level_sd=0.3)
    assert sum(sd**2 for sd in parts.values()) == pytest.approx(0.49)
    assert parts["sample"] == pytest.approx(0.24**0.5)
