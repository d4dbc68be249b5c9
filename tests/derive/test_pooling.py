"""Pooling of sessions into what stands for a speaker: equal weights step by step, on the metric's scale, errors as they
are shared."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.derive import Grouping, Spread, pool_spread, pool_table
from speakerdb.metric import SAMPLE, UNCERTAINTY, ValueTable
from speakerdb.statistics.error_model import DRAWS, SharedKeys
from tests.store.builders import info

NONE, AT_MOST, AT_LEAST = 0, 1, 2
LINEAR, LOG = "treble_balance_db", "f6_hz"
NORMAL = 1.959964  # the 97.5 % point of a normal distribution
PERCENTILES = 0.15  # 400 draws know the distance of one to 7 %


def table_of(value, censored=None, metric=LOG, reason=None, upper=None):
    value = np.array(value, float)[:, None]
    codes = np.array(censored if censored is not None else [NONE] * len(value), np.int8)[:, None]
    return ValueTable(
        (metric,),
        value,
        codes,
        reason or {},
        np.full(value.shape, np.nan) if upper is None else np.array(upper, float)[:, None],
    )


def grouping(count, sample=None, lab=None, group=None):
    return Grouping(np.array(group or [0] * count), sample or ["a"] * count, lab or ["x"] * count)


def pool(value, sample=None, lab=None, censored=None, group=None, reason=None, metric=LOG):
    return pool_table(table_of(value, censored, metric, reason), grouping(len(value), sample, lab, group))


def test_sessions_pool_within_sample_and_lab_then_labs_then_samples():
    # sample a: lab x 40 and 44 -> 42, lab y 50 -> (42 + 50)/2 = 46; sample b: 60; speaker (46 + 60)/2 = 53
    value = [40, 44, 50, 60]
    sample, lab = ["a", "a", "a", "b"], ["x", "x", "y", "x"]
    assert pool(value, sample, lab, metric=LINEAR).value[0, 0] == pytest.approx(53.0)
    weights = grouping(4, sample, lab).weights()
    np.testing.assert_allclose(weights, [1 / 8, 1 / 8, 1 / 4, 1 / 2])
    assert weights @ np.array(value) == pytest.approx(53.0)


def test_of_no_sessions_there_is_nothing_to_pool():
    none = grouping(0, [], [])
    assert (none.count, none.weights().shape) == (0, (0,))
    empty = table_of([])
    assert pool_table(empty, none) is empty


def test_frequencies_pool_as_ratios():
    assert pool([20, 80]).value[0, 0] == pytest.approx(40.0)
    assert pool([20, 80], metric=LINEAR).value[0, 0] == pytest.approx(50.0)


def test_withheld_sessions_take_no_part():
    assert pool([40, np.nan, 50], metric=LINEAR).value[0, 0] == pytest.approx(45.0)


def test_all_withheld_keeps_the_reason():
    found = pool([np.nan, np.nan], reason={(0, LOG): "no vertical orbit", (1, LOG): "no vertical orbit"})
    assert np.isnan(found.value[0, 0])
    assert found.reason == {(0, LOG): "no vertical orbit"}


def test_a_bound_that_agrees_with_the_exact_values_says_nothing_more():
    found = pool([32, 50, 255], censored=[NONE, NONE, AT_MOST])
    assert found.value[0, 0] == pytest.approx(40.0)
    assert found.censored[0, 0] == NONE
    for side in (AT_MOST, AT_LEAST):  # the mean itself is within what either says of it
        level = pool([40, 50, 45], censored=[NONE, NONE, side], metric=LINEAR)
        assert (level.value[0, 0], level.censored[0, 0]) == (45.0, NONE)


def test_a_bound_that_contradicts_them_is_kept_as_a_bound():
    found = pool([45, 20], censored=[NONE, AT_MOST])
    assert found.censored[0, 0] == AT_MOST
    assert found.value[0, 0] == pytest.approx(30.0)


def test_bounds_alone_pool_to_a_bound():
    found = pool([105, 107], censored=[AT_LEAST, AT_LEAST], metric=LINEAR)
    assert found.censored[0, 0] == AT_LEAST
    assert found.value[0, 0] == pytest.approx(106.0)


def test_opposite_bounds_are_withheld():
    found = pool([30, 40], censored=[AT_MOST, AT_LEAST])
    assert np.isnan(found.value[0, 0])
    assert found.censored[0, 0] == NONE
    assert found.reason == {(0, LOG): "sessions bound it from both sides (one at most, one at least)"}


def test_groups_do_not_mix():
    found = pool([40, 50, 70], group=[1, 0, 1], metric=LINEAR)
    np.testing.assert_allclose(found.value[:, 0], [50.0, 55.0])


# uncertainty


def normals(count, seed=1):
    """(count, B) draws of unit variance about 0 whose covariances are none: no luck in what follows."""
    from scipy import stats

    drawn = stats.norm.ppf((np.arange(DRAWS) + 0.5) / DRAWS)[None] + np.zeros((count, 1))
    rng = np.random.default_rng(seed)
    mixed = np.stack([rng.permutation(row) for row in drawn])
    q, _ = np.linalg.qr((mixed - mixed.mean(axis=1)[:, None]).T)
    return q.T * np.sqrt(DRAWS)


def session_keys(benches, samples, runs=None):
    return [
        SharedKeys.of(info(lab=bench, sample=sample, run=run), f"{bench}{sample}{number}")
        for number, (bench, sample, run) in enumerate(zip(benches, samples, runs or [None] * len(benches), strict=True))
    ]


def spread_of(
    value,
    *,
    own,
    bench=0.0,
    sample=0.0,
    labs=None,
    samples=None,
    runs=None,
    bias=0.0,
    scale=LINEAR,
    shared=None,
    censored=None,
    **other,
):
    """(pooled columns, pooled) of one group of sessions with errors of the given sizes on the metric's scale; shared:
    draws that sessions of one run have in common, added to their own."""
    n = len(value)
    labs, samples = labs or ["x"] * n, samples or ["a"] * n
    table, by = table_of(value, censored, metric=scale), grouping(n, samples, labs)
    columns = {name: np.full((n, 1), np.nan) for name in (*UNCERTAINTY, *SAMPLE)}
    common = np.zeros(DRAWS) if shared is None else shared
    size = np.hypot(own, common.std())
    sizes = {
        "se": size,
        "se_bench": bench,
        "se_sample": sample,
        "sample_down": NORMAL * sample,
        "sample_up": NORMAL * sample,
        "bias": bias,
        "bias_bench": 0.0,
        "noise_limited": 0.0,
    } | other
    for name, x in sizes.items():
        columns[name][:, 0] = x
    names = {lab: k for k, lab in enumerate(dict.fromkeys(labs))}
    own_draws = (own * normals(n) + common)[:, None]
    bench_draws = (bench * normals(len(names), seed=2))[[names[lab] for lab in labs]][:, None]
    spread = Spread(columns, session_keys(labs, samples, runs), lambda rows: (own_draws[rows], bench_draws[rows]))
    pooled = pool_table(table, by)
    found = pool_spread(table, pooled, spread, by)
    return {name: float(column[0, 0]) for name, column in found.columns.items()}, found


@pytest.mark.parametrize(("value", "error"), [([10.0, 13.0], 1.5), ([10.0, 13.0, 14.0], 1.2019)])
@pytest.mark.parametrize("own", [0.3, 0.05])
def test_sessions_that_disagree_have_the_pooled_error_of_their_own_scatter(value, error, own):
    columns, found = spread_of(value, own=own)
    assert columns["se"] == pytest.approx(error, rel=1e-3)
    assert columns["high"] - columns["low"] == pytest.approx(2 * NORMAL * error, rel=PERCENTILES)
    assert found.disagree[0, 0]


def test_sessions_that_agree_have_the_error_of_a_mean():
    columns, found = spread_of([10.0, 10.1], own=0.3)
    assert columns["se"] == pytest.approx(0.3 / np.sqrt(2), rel=1e-3)
    assert not found.disagree[0, 0]


def test_what_sessions_of_one_run_share_stays_whole_and_makes_them_no_more_alike():
    level = 0.5 * normals(3, seed=5)[2]
    columns, _ = spread_of([10.0, 10.1], own=0.3, runs=["one", "one"], shared=level)
    assert columns["se"] == pytest.approx(np.hypot(0.5, 0.3 / np.sqrt(2)), rel=0.02)
    # 1.5 dB apart: 3.5 standard errors of their own, 1.8 with the level's, which they share
    assert spread_of([10.0, 11.5], own=0.3, runs=["one", "one"], shared=level)[1].disagree[0, 0]
    assert not spread_of([10.0, 11.5], own=0.3, runs=["one", "two"], shared=level)[1].disagree[0, 0]


def test_a_bench_is_no_surer_for_many_sessions_and_two_benches_are():
    one, _ = spread_of([10.0, 10.1], own=0.1, bench=0.4)
    two, _ = spread_of([10.0, 10.1], own=0.1, bench=0.4, labs=["x", "y"])
    assert one["se_bench"] == pytest.approx(0.4, rel=1e-3)
    assert two["se_bench"] == pytest.approx(0.4 / np.sqrt(2), rel=0.02)
    assert one["high_absolute"] - one["high"] > two["high_absolute"] - two["high"] > 0


def test_between_benches_and_samples_their_errors_count_before_sessions_disagree():
    apart = [10.0, 11.2]
    assert spread_of(apart, own=0.2, bench=0.6)[1].disagree[0, 0]
    assert not spread_of(apart, own=0.2, bench=0.6, labs=["x", "y"])[1].disagree[0, 0]
    assert spread_of(apart, own=0.2, sample=0.6)[1].disagree[0, 0]
    assert not spread_of(apart, own=0.2, sample=0.6, samples=["a", "b"])[1].disagree[0, 0]


@pytest.mark.parametrize(
    ("samples", "factor"), [(["a"], 2.0), (["a", "a"], 2.0), (["a", "b"], 1.5), (["a", "b", "c"], 4 / 3)]
)
def test_a_newly_bought_unit_lies_about_the_mean_of_n_samples_by_its_own_spread_and_theirs(samples, factor):
    columns, _ = spread_of(
        [10.0] * len(samples),
        own=1e-6,
        sample=0.5,
        samples=samples,
        low_unit=10.0 - NORMAL * 0.5 * np.sqrt(2),
        high_unit=10.0 + NORMAL * 0.5 * np.sqrt(2),
    )
    assert columns["se_sample"] == pytest.approx(0.5 * np.sqrt(factor), rel=1e-6)
    half = (columns["high_unit"] - columns["low_unit"]) / 2
    assert half == pytest.approx(NORMAL * 0.5 * np.sqrt(factor), rel=1e-3)


def test_the_first_helping_of_noise_is_pooled_as_the_value_is_and_widens_to_its_side():
    columns, _ = spread_of([10.0, 10.0], own=0.2, bias=0.3)
    plain, _ = spread_of([10.0, 10.0], own=0.2)
    assert columns["bias"] == pytest.approx(0.3)
    assert columns["low"] == pytest.approx(plain["low"] - 0.3)
    assert columns["high"] == pytest.approx(plain["high"])
    assert columns["noise_limited"] == 1.0


def test_bounds_count_only_where_nothing_is_exact():
    errors = np.array([0.2, 0.4, 0.9])
    value, bounded = [10.0, 10.2, 11.0], [NONE, NONE, AT_LEAST]
    columns, found = spread_of(value, own=0.3, sample=errors, censored=bounded)
    assert columns["se"] == pytest.approx(0.3 / np.sqrt(2), rel=1e-3)  # of the two that are exact
    assert columns["se_sample"] == pytest.approx(
        np.sqrt(2) * np.sqrt((0.2**2 + 0.4**2) / 2)
    )  # twice their mean variance
    assert sum(weight for _, weight in found.patterns[found.pattern[0, 0]]) == pytest.approx(1.0)
    alone, _ = spread_of(value[1:], own=0.3, sample=errors[1:], censored=[AT_LEAST, AT_LEAST])
    assert alone["se"] == pytest.approx(0.3 / np.sqrt(2), rel=1e-3)


def test_a_pooled_ripple_well_above_its_noise_keeps_its_lower_end():
    columns, _ = spread_of([5.0, 5.1], own=0.1, scale="flatness_window_db")
    assert columns["low"] == pytest.approx(5.05 - NORMAL * 0.1 / np.sqrt(2), abs=0.02)
    noisy, _ = spread_of([0.3, 0.3], own=0.1, bias=0.4, scale="flatness_window_db")
    assert noisy["low"] == 0.0  # all of it may be noise


def test_pooled_intervals_of_ratios_are_ratios():
    columns, _ = spread_of([40.0, 40.0], own=0.1, scale=LOG)
    half = NORMAL * 0.1 / np.sqrt(2)
    assert np.log2(columns["high"] / 40.0) == pytest.approx(half, rel=PERCENTILES)
    assert np.log2(40.0 / columns["low"]) == pytest.approx(half, rel=PERCENTILES)


def test_the_benches_behind_a_value_are_named_with_their_weights():
    _, found = spread_of([10.0, 10.1, 10.2], own=0.3, labs=["x", "x", "y"])
    (pattern,) = found.patterns
    assert [weight for _, weight in pattern] == [0.5, 0.5]
    assert [bench.split("|")[0] for bench, _ in pattern] == ["/x", "/y"]


def branched(value, other, share, low=None, high=None):
    """Columns of sessions whose value may be another."""
    return {
        "other_value": other,
        "other_share": share,
        "other_se": 0.05,
        "other_low": np.array(other) * 0.95,
        "other_high": np.array(other) * 1.05,
        "low": np.array(value) * 0.95,
        "high": np.array(value) * 1.05,
        "low_absolute": np.array(value) * 0.9,
        "high_absolute": np.array(value) * 1.1,
        "low_unit": np.array(value) * 0.8,
        "high_unit": np.array(value) * 1.2,
    }


def test_values_that_are_one_of_two_pool_within_a_branch_and_never_across():
    # two sessions read the lower place, one the upper; shares total 0.9 + 0.8 + 0.3 of three for the lower
    value, other, share = [50.0, 52.0, 250.0], [240.0, 245.0, 51.0], [0.1, 0.2, 0.3]
    columns, found = spread_of(value, own=0.05, scale=LOG, **branched(value, other, share))
    assert found.value[0, 0] == pytest.approx((50.0 * 52.0 * 51.0) ** (1 / 3), rel=1e-6)
    assert columns["other_value"] == pytest.approx((240.0 * 245.0 * 250.0) ** (1 / 3), rel=1e-6)
    assert columns["other_share"] == pytest.approx((0.1 + 0.2 + 0.7) / 3)
    assert columns["low"] < found.value[0, 0] < columns["high"] < 60.0
    assert columns["other_low"] < columns["other_value"] < columns["other_high"]
    assert columns["se"] == pytest.approx(0.05 / np.sqrt(3), rel=1e-6)


@pytest.mark.parametrize(
    ("share", "main"), [([0.3, 0.3], "upper"), ([0.7, 0.7], "lower"), ([0.5, 0.5], "lower"), ([0.2, 0.9], "lower")]
)
def test_the_branch_with_the_larger_share_stands_for_the_speaker_of_equal_ones_the_lower(share, main):
    # both read the upper place; the lower one has the shares that are given
    columns, found = spread_of([250.0, 260.0], own=0.05, scale=LOG, **branched([250.0, 260.0], [50.0, 52.0], share))
    lower, upper = (50.0 * 52.0) ** 0.5, (250.0 * 260.0) ** 0.5
    first, second = (lower, upper) if main == "lower" else (upper, lower)
    assert found.value[0, 0] == pytest.approx(first, rel=1e-6)
    assert columns["other_value"] == pytest.approx(second, rel=1e-6)
    of_lower = sum(share) / 2
    assert columns["other_share"] == pytest.approx(min(of_lower, 1.0 - of_lower))


@pytest.mark.parametrize(("labs", "more"), [(["x", "x"], 1.0), (["x", "y"], np.sqrt(0.5))])
def test_of_values_that_are_one_of_two_each_bench_adds_what_its_sessions_tell(labs, more):
    # own errors reach 0.1 octaves, with the bench 0.5, whatever draws that may have jumped say of it
    value, reach = (
        [50.0, 50.0],
        {"low": 50 / 2**0.1, "high": 50 * 2**0.1, "low_absolute": 50 / 2**0.5, "high_absolute": 50 * 2**0.5},
    )
    told = branched(value, [87.0, 87.0], [0.1, 0.1]) | {k: [v, v] for k, v in reach.items()}
    for bench in (0.2, 2.0):
        columns, _ = spread_of(value, own=0.05, bench=bench, sample=0.3, scale=LOG, labs=labs, **told)
        own, added = 0.1 / np.sqrt(2), more * np.sqrt(0.5**2 - 0.1**2)
        assert np.log2(columns["high"] / 50) == pytest.approx(own)
        assert np.log2(50 / columns["low_absolute"]) == pytest.approx(np.hypot(own, added))
        unit = np.hypot(np.hypot(own, added), np.sqrt(2) * NORMAL * 0.3)
        assert np.log2(columns["high_unit"] / 50) == pytest.approx(unit)
        assert np.log2(50 / columns["low_unit"]) == pytest.approx(unit)


@pytest.mark.parametrize("own", [0.05, 2.0])
def test_pooled_intervals_hold_the_value_in_all_three_statements(own):
    for value in ([10.0, 13.0], [10.0, 10.1, 9.0]):
        columns, found = spread_of(value, own=own, bench=0.2, sample=0.3, samples=["a", "b", "a"][: len(value)])
        for kind in ("", "_absolute", "_unit"):
            assert columns[f"low{kind}"] <= found.value[0, 0] <= columns[f"high{kind}"]
        assert columns["high_unit"] >= columns["high_absolute"] >= columns["high"] - 1e-9


def test_a_value_without_errors_has_no_interval():
    value = [10.0, np.nan]
    columns, found = spread_of(value, own=np.nan)
    assert np.isnan(columns["se"])
    assert found.pattern[0, 0] == -1


def test_one_session_without_errors_names_no_bench_and_with_them_its_own():
    assert spread_of([10.0], own=np.nan)[1].pattern[0, 0] == -1
    _, found = spread_of([10.0], own=0.3, labs=["y"])
    ((bench, weight),) = found.patterns[found.pattern[0, 0]]
    assert (bench.split("|")[0], weight) == ("/y", 1.0)
