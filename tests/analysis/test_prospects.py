import pytest

from speakerdb.analysis import prospects
from speakerdb.analysis.prospects import overall, verdicts
from speakerdb.statistics.contrasts import Measured
from speakerdb.statistics.outcomes import Bench
from tests.analysis.columns import column

SHED, BARN = Bench("/shed||", "shed", "shed"), Bench("/barn||", "barn", "barn")


def session(speaker, x, lab="shed", run=None, **sds):
    run = run or f"{lab} {speaker}"
    return Measured(speaker, lab, f"/{lab}||", f"{speaker}|1", run, f"{run} {speaker}", x, **sds)


def settle(columns, pair, sessions, benches):
    return prospects.settle(columns, pair, verdicts(columns, pair, sessions), sessions, benches)


def test_two_that_cannot_be_told_apart_get_the_measurements_that_would_with_their_chance():
    c = column("treble_balance_db", [1.0, 1.3], se=0.2)
    frame = settle([c], (0, 1), {c.metric.id: ([session("a", 1.0, own=0.2)], [session("b", 1.3, own=0.2)])}, [SHED])
    first = frame.row(0, named=True)
    assert first["words"] == "measure a and b side by side in one run in shed"
    assert first["difference"] == pytest.approx(-0.3)
    # two sessions a side instead of one: 1/√2 of the width
    assert first["share"] == pytest.approx(0.5**0.5)
    assert first["expected_high"] - first["expected_low"] == pytest.approx((first["high"] - first["low"]) * 0.5**0.5)
    assert frame["chance"].is_sorted(descending=True)
    assert 0.1 < first["chance"] < 0.5


def test_the_surer_the_difference_the_likelier_a_measurement_settles_it():
    def chance(gap):
        c = column("treble_balance_db", [1.0, 1.0 + gap], se=0.2)
        sides = {c.metric.id: ([session("a", 1.0, own=0.2)], [session("b", 1.0 + gap, own=0.2)])}
        return settle([c], (0, 1), sides, [SHED])["chance"].max()

    assert chance(0.0) < chance(0.2) < chance(0.4)


def test_what_differs_already_or_is_a_bound_or_withheld_or_one_of_two_has_no_measurement():
    sides = [session("a", 0.0, own=1.0)], [session("b", 0.1, own=1.0)]
    clear = column("f6_hz", [40.0, 60.0], se=0.02)
    bound = column("max_level_db", [100.0, 100.5], at_least=[1])
    withheld = column("f3_hz", [40.0, 40.0], withheld=[0])
    two = column("f10_hz", [40.0, 41.0], branches={0: (80.0, 0.1, 0.4)})
    columns = [clear, bound, withheld, two]
    assert settle(columns, (0, 1), {c.metric.id: sides for c in columns}, [SHED]).is_empty()


def test_what_a_common_run_tells_already_is_known_beside_what_all_sessions_tell():
    c = column("sensitivity_db", [86.0, 87.0], se=0.7)
    sizes = {"own": 0.05, "level": 0.6}
    sides = [session("a", 86.0, run="r", **sizes)], [session("b", 87.0, run="r", **sizes)]
    (row,) = verdicts([c], (0, 1), {c.metric.id: sides}).to_dicts()
    assert (row["contrast"], row["differs"], row["by_all"]) == ("one run", True, False)


def test_ratios_stay_ratios():
    c = column("f6_hz", [40.0, 42.0], se=0.1)
    x = [c.x[0], c.x[1]]
    row = settle([c], (0, 1), {"f6_hz": ([session("a", x[0], own=0.1)], [session("b", x[1], own=0.1)])}, [SHED]).row(
        0, named=True
    )
    assert row["ratio"]
    assert row["difference"] == pytest.approx(40 / 42)
    assert row["low"] < row["expected_low"] < row["difference"] < row["expected_high"] < row["high"]


def test_a_measurement_is_judged_over_all_undecided_metrics():
    columns = [column("f6_hz", [50.0, 50.5], se=0.1), column("di_power_mean_db", [7.0, 7.1], se=0.2)]
    sides = {
        c.metric.id: ([session("a", c.x[0], own=se)], [session("b", c.x[1], "barn", own=se, bench_sd=se)])
        for c, se in zip(columns, (0.1, 0.2), strict=True)
    }
    frame = settle(columns, (0, 1), sides, [SHED, BARN])
    best = overall(frame)
    assert best["settles"].is_sorted(descending=True)
    assert best["share"].max() < 1.0
    one = best.filter(words="measure the same sample of b in shed").row(0, named=True)
    assert one["share"] == pytest.approx(frame.filter(words=one["words"])["share"].mean())
    assert one["settles"] == pytest.approx(frame.filter(words=one["words"])["chance"].sum())
