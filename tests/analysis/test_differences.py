from itertools import combinations

import numpy as np
import polars as pl
import pytest

from speakerdb.analysis.differences import compare, real
from speakerdb.metrics import METRICS
from speakerdb.statistics.benches import Benches
from speakerdb.statistics.contrasts import Measured
from speakerdb.statistics.places import Scores, better
from tests.analysis.columns import column


def rows(*columns, pairs=((0, 1),), sessions=None):
    return compare(columns, list(pairs), sessions or {}).to_dicts()


def session(speaker, x, lab="shed", run=None, sample="1", number=1, **sds):
    run = run or f"{lab} {speaker} {number}"
    return Measured(speaker, lab, f"/{lab}||", f"{speaker}|{sample}", run, f"{run} {speaker} {number}", x, **sds)


def two_benches(tau):
    return Benches(np.array([0, 1]), np.full(2, tau), np.array([[0.0, 0.0], [1.0, 1.0]]))


def test_a_lower_bass_limit_is_the_better_and_a_fifth_matters():
    (row,) = rows(column("f6_hz", [40.0, 60.0], se=0.02))
    assert (row["difference"], row["ratio"]) == (pytest.approx(2 / 3), True)
    assert row["p_a_better"] > 0.999
    assert (row["differs"], row["matters"]) == (True, "yes")
    assert (row["a"], row["b"], row["unit"]) == ("a", "b", "Hz")


def test_of_limits_distortion_and_impedance_ratios_are_told_and_judged():
    for metric in ("f6_hz", "thd_mid_86_percent", "impedance_min_ohm"):
        delta = METRICS[metric].matters
        for factor, word in ((0.8, "no"), (1.3, "yes")):
            (row,) = rows(column(metric, [2.0 * delta**factor * 40, 2.0 * 40], se=0.01))
            assert (row["ratio"], row["matters"]) == (True, word)
            assert row["difference"] == pytest.approx(delta**factor)
            assert row["low"] * row["high"] == pytest.approx(
                row["difference"] ** 2
            )  # as far below as above, in octaves


def test_a_sure_difference_need_not_matter_and_an_unsure_one_is_unclear():
    (small,) = rows(column("f6_hz", [50.0, 52.0], se=0.005))
    assert (small["differs"], small["matters"]) == (True, "no")
    (unsure,) = rows(column("f6_hz", [50.0, 55.0], se=0.1))
    assert (unsure["differs"], unsure["matters"]) == (False, "unclear")


def test_where_neither_direction_is_better_no_one_is():
    (row,) = rows(column("di_power_mean_db", [7.0, 9.0], se=0.1))
    assert row["p_a_better"] is None
    assert row["differs"]


def test_the_listeners_scatter_has_no_part_in_predicted_preference():
    (row,) = rows(column("preference", [5.0, 5.9], se=0.1))
    assert row["differs"]
    assert row["high"] - row["low"] == pytest.approx(2 * 1.96 * 0.1 * 2**0.5, rel=0.05)


def test_unaligned_benches_add_what_they_differ_by():
    same = rows(column("bass_balance_db", [1.0, 2.0], se=0.1))[0]
    apart = rows(column("bass_balance_db", [1.0, 2.0], se=0.1, benches=two_benches(0.3**2)))[0]
    assert apart["high"] - apart["low"] == pytest.approx((same["high"] - same["low"]) * (0.2 / 0.02) ** 0.5, rel=0.05)
    assert (same["differs"], apart["differs"]) == (True, True)
    assert "different labs" in apart["because"]


def test_a_withheld_side_withholds_the_difference_with_its_reason():
    first, second = rows(column("f6_hz", [40.0, 60.0], withheld=[1]), column("f3_hz", [50.0, 70.0]))
    assert first["difference"] is None
    assert first["q"] is None
    assert first["reason"] == "b: not measured"
    assert second["reason"] is None
    assert second["q"] == second["p"]  # the untested row does not count


def test_a_value_whose_error_is_not_worked_out_is_not_compared():
    (row,) = rows(column("f6_hz", [40.0, 60.0], se=[0.1, np.nan]))
    assert row["p"] is None
    assert row["reason"] == "b: its uncertainty is not worked out"


def test_a_bound_has_an_open_end_and_no_difference():
    (row,) = rows(column("max_level_db", [110.0, 100.0], se=0.2, at_least=[0]))
    assert row["difference"] is None
    assert row["low"] == pytest.approx(10.0, abs=0.7)
    assert row["high"] == np.inf
    assert (row["censored_a"], row["matters"], row["differs"]) == ("at_least", "yes", True)
    (ratio,) = rows(column("f6_hz", [25.0, 50.0], se=0.01, at_most=[0]))
    assert (ratio["low"], ratio["high"]) == (-np.inf, pytest.approx(0.5, rel=0.05))


def test_a_value_that_is_one_of_two_may_be_told_apart_only_from_what_neither_reaches():
    columns = [column("f6_hz", [50.0, other], se=0.02, branches={0: (200.0, 0.02, 0.3)}) for other in (100.0, 400.0)]
    between, beyond = rows(*columns)
    assert (between["differs"], beyond["differs"]) == (False, True)
    assert between["p_a_better"] == pytest.approx(0.7, abs=1e-6)
    assert between["low"] < 0.5
    assert between["high"] > 1.0


def test_sessions_of_one_lab_tell_what_values_from_two_labs_cannot():
    c = column("treble_balance_db", [3.0, 1.0], se=0.2, benches=two_benches(4.0))
    sessions = {
        c.metric.id: (
            [session("a", 1.5, own=0.1, bench_sd=2.0), session("a", 4.5, "barn", own=0.1, bench_sd=2.0)],
            [session("b", 1.0, own=0.1, bench_sd=2.0)],
        )
    }
    (alone,), (row,) = rows(c), rows(c, sessions=sessions)
    assert (alone["contrast"], alone["differs"]) == ("all", False)
    assert (row["contrast"], row["differs"]) == ("one lab", True)
    # values and difference are of the sessions compared
    assert (row["value_a"], row["value_b"], row["difference"]) == (pytest.approx(1.5), 1.0, pytest.approx(0.5))
    assert row["high"] - row["low"] == pytest.approx(2 * 1.96 * 2**0.5 * 0.1, rel=0.05)
    assert row["because"] == "one lab, shed: the bench was the same for both, so its errors cancel"


def test_in_one_run_the_level_cancels_too():
    c = column("sensitivity_db", [86.0, 87.0], se=0.61)
    sizes = {"own": 0.1, "level": 0.6}
    sessions = {c.metric.id: ([session("a", 86.0, run="r", **sizes)], [session("b", 87.0, run="r", **sizes)])}
    (row,) = rows(c, sessions=sessions)
    assert (row["contrast"], row["differs"]) == ("one run", True)
    assert "one run in shed" in row["because"]


def test_two_settings_of_one_unit_share_the_unit_whatever_is_asked_about():
    more = {"speaker": ["a", "a"], "setting": ["plain", "desk"]}
    sizes = {"own": 0.1, "sample_sd": 1.0}
    sessions = {"treble_balance_db": ([session("a", 1.0, **sizes)], [session("a", 2.0, number=2, **sizes)])}
    widths = {}
    for target, se in (("as_measured", 0.1), ("another_unit", 1.42)):
        (row,) = rows(column("treble_balance_db", [1.0, 2.0], se=se, target=target, **more), sessions=sessions)
        widths[target] = row["high"] - row["low"]
    assert widths["another_unit"] == pytest.approx(widths["as_measured"])
    (others,) = rows(column("treble_balance_db", [1.0, 2.0], se=1.42, target="another_unit"))
    assert others["high"] - others["low"] > 10 * widths["as_measured"]
    assert "samples of one model" in others["because"]


def test_with_all_sessions_a_comparison_is_what_ranks_say_over_every_pair_of_a_field():
    random, n = np.random.default_rng(11), 40
    pairs = list(combinations(range(n), 2))
    for metric, centre, spread in (("flatness_window_db", 2.0, 0.3), ("f6_hz", 5.5, 0.2), ("max_level_db", 100.0, 2.0)):
        x = centre + spread * random.standard_normal(n)
        c = column(
            metric,
            2.0**x if METRICS[metric].scale == "log" else x,
            se=random.uniform(0.2, 0.6, n) * spread,
            benches=Benches(random.integers(0, 3, n), np.full(n, (0.3 * spread) ** 2), np.eye(3)),
            branches={} if metric == "max_level_db" else {3: (70.0, 0.1, 0.3), 9: (45.0, 0.2, 0.1)},
            at_least=[1, 5] if metric == "max_level_db" else [],
        )
        frame = compare([c], pairs, {})
        assert set(frame["contrast"]) == {"all"}
        step = c.metric.step / (np.log(2.0) * c.value) if c.metric.scale == "log" else np.full(n, c.metric.step)
        upper = np.where(np.isposinf(c.upper), np.inf, c.x)
        other = np.log2(c.other_value) if c.metric.scale == "log" else c.other_value
        scores = Scores(c.x, c.se**2, c.x, upper, other, c.other_se**2, c.other_share, c.benches, step)
        i, j = np.array(pairs).T
        either = better(scores, i, j).surely | better(scores, j, i).surely
        assert 0.1 < either.mean() < 0.9
        np.testing.assert_array_equal(frame["differs"].to_numpy(), either)
        none = 1.0 if c.metric.scale == "log" else 0.0
        outside = (frame["low"] > none) | (frame["high"] < none)
        np.testing.assert_array_equal(outside.to_numpy(), frame["differs"].to_numpy())
        np.testing.assert_array_equal((frame["p"] < 0.05).to_numpy(), frame["differs"].to_numpy())


def test_of_many_comparisons_of_equals_hardly_any_is_called_real():
    random = np.random.default_rng(6)
    columns = [column("treble_balance_db", 5.0 + 0.5 * random.standard_normal(2), se=0.5) for _ in range(200)]
    frame = compare(columns, [(0, 1)], {})
    assert 1 <= frame["differs"].sum() <= 25  # one in twenty, row by row
    assert real(frame) == 0


def test_what_is_real_over_all_rows_differs_in_its_own_row():
    columns = [column("treble_balance_db", [5.0, 5.0 + gap], se=0.3) for gap in np.linspace(0.0, 3.0, 60)]
    frame = compare(columns, [(0, 1)], {})
    assert frame.filter(pl.col("q") <= 0.05)["differs"].all()
    assert 0 < real(frame) <= frame["differs"].sum()
