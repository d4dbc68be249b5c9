"""Errors as drawn: fields with the stated correlation, seeds that come from the data alone, layers shared as stated
(method:statistics#errors-and-their-sizes)."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import curveset, directivity, grid
from speakerdb.acoustics.grid import FREQUENCY_HZ, LOG2_HZ
from speakerdb.statistics import fields
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DEFAULT, DRAWS, Alignment, ErrorModel, bench_key
from tests.store.builders import info

FLAT = np.zeros((curveset.SLOTS, len(FREQUENCY_HZ)))
TWICE = FLAT + 0.01 * np.arange(curveset.SLOTS)[:, None]  # no two readings alike
LEFT, RIGHT = curveset.h(30)[0], curveset.h(-30)[0]


def reader(content="c", model=DEFAULT, readings=TWICE, **changes):
    return Reader.of(info(**changes), content, model, readings)


@pytest.mark.parametrize("width", [1 / 6, 0.5, 1.0])
def test_fields_have_unit_sd_and_the_stated_correlation(width):
    drawn = fields.smooth_field(np.random.default_rng(1), 20000, width)
    np.testing.assert_allclose(drawn.std(axis=0), 1.0, atol=0.03)
    middle = 100
    expected = np.exp(-np.pi * ((LOG2_HZ - LOG2_HZ[middle]) / width) ** 2)
    found = (drawn * drawn[:, [middle]]).mean(axis=0)
    np.testing.assert_allclose(found, expected, atol=0.035)  # about five standard errors of 20,000 draws


@pytest.mark.parametrize("width", [0.5, 1.0])
def test_the_width_is_the_integral_scale(width):
    delta = np.linspace(-5, 5, 20001)
    assert np.trapezoid(np.exp(-np.pi * (delta / width) ** 2), delta) == pytest.approx(width, rel=1e-6)


def test_numbers_depend_on_part_key_and_model_version_only():
    def some(part, key, version):
        return fields.generator(part, key, version).standard_normal(4)

    np.testing.assert_array_equal(some("level", "a", 1), some("level", "a", 1))
    for other in (("level", "b", 1), ("sample_spread", "a", 1), ("level", "a", 2)):
        assert not np.array_equal(some("level", "a", 1), some(*other))


def same(a, b):
    """Which parts of the errors two sessions share, draw by draw."""
    parts = {
        "bench": lambda r: r.bench,
        "sample": lambda r: np.stack(r.sample),
        "level": lambda r: r.level,
        "own": lambda r: r.own_common,
        "repeat": lambda r: r.smoothed_errors(directivity.SECOND, 2),
    }
    return {name for name, part in parts.items() if np.array_equal(part(a), part(b))}


@pytest.mark.parametrize(
    ("changes", "shared"),
    [
        ({"setting": "other"}, {"bench", "sample", "level"}),
        ({"date": "2026-05-01"}, {"bench", "sample"}),
        ({"sample": "2"}, {"bench"}),
        ({"lab": "attic"}, {"sample"}),
        ({"method": "gated"}, {"sample", "level"}),
        ({"calibration": "2026"}, {"sample", "level"}),
    ],
)
def test_sessions_share_the_bench_the_sample_and_the_run_and_nothing_of_their_own(changes, shared):
    assert same(reader(), reader("d", **changes)) == shared


def test_the_same_content_has_the_same_errors_and_another_model_version_has_others():
    assert same(reader(), reader()) == {"bench", "sample", "level", "own", "repeat"}
    assert same(reader(), reader(model=ErrorModel(version=1))) == set()


def test_an_aligned_bench_draws_the_error_of_the_one_it_was_brought_in_line_with():
    shed, attic = bench_key("shed", "anechoic", None), bench_key("attic", "anechoic", None)
    model = ErrorModel(alignments={attic: Alignment(shed, np.zeros(199, np.float32), 0.05, 6)})
    np.testing.assert_array_equal(reader(model=model, lab="attic").bench, reader(model=model).bench)


def test_layers_have_the_sizes_of_the_model():
    r = reader()
    limits = 5.0 / np.sqrt(2 * DRAWS)  # five standard errors of a standard deviation
    np.testing.assert_allclose(r.bench.std(axis=0) / DEFAULT.sd(r.info, "calibration"), 1.0, atol=limits)
    own = np.hypot(DEFAULT.sd(r.info, "session"), DEFAULT.level_sd(r.info))
    np.testing.assert_allclose(r.own_common.std(axis=0) / own, 1.0, atol=limits)
    for drawn, part in zip(r.sample, ("sample_spread", "sample_directivity"), strict=True):
        np.testing.assert_allclose(drawn.std(axis=0) / DEFAULT.sd(r.info, part), 1.0, atol=limits)
    assert r.level.shape == (DRAWS,)


def test_the_sample_directivity_error_is_nothing_on_the_axis_half_beside_and_whole_behind():
    at = {angle: AWAY[slot(angle)[0]] for angle in (0, 90, -90, 180) for slot in (curveset.h, curveset.v)}
    assert at == pytest.approx({0: 0.0, 90: 0.5, -90: 0.5, 180: 1.0}, abs=1e-6)


def test_every_curve_has_a_repeat_error_of_its_own_and_what_was_read_twice_less_of_it():
    errors = reader().curve_errors(200)
    assert abs(np.corrcoef(errors[:, LEFT].ravel(), errors[:, RIGHT].ravel())[0, 1]) < 0.1
    assert errors[:, LEFT].std() == pytest.approx(0.15, rel=0.03)
    for pole in (curveset.ON_AXIS, curveset.h(180)[0]):
        assert errors[:, pole].std() == pytest.approx(0.15 / np.sqrt(2), rel=0.04)
    for a, b in curveset.POLES:
        np.testing.assert_array_equal(errors[:, a], errors[:, b])


def test_an_axis_that_one_file_holds_for_both_orbits_was_read_once():
    once = TWICE.copy()
    for a, b in curveset.POLES:
        once[b] = once[a]
    only_horizontal = TWICE.copy()
    only_horizontal[curveset.PER_ORBIT :] = np.nan
    for readings in (once, only_horizontal):
        r = reader(readings=readings)
        assert r.twice == (False, False)
        assert r.curve_errors(200)[:, curveset.ON_AXIS].std() == pytest.approx(0.15, rel=0.04)
    assert reader().twice == (True, True)


def test_a_reading_taken_twice_has_half_the_variance_and_any_other_its_own():
    poles = np.unique(curveset.POLES)
    factor = reader().reading_factor
    assert factor[poles] == pytest.approx(np.sqrt(0.5))
    assert (np.delete(factor, poles) == 1.0).all()
    once = TWICE.copy()
    for a, b in curveset.POLES:
        once[b] = once[a]
    assert (reader(readings=once).reading_factor == 1.0).all()


def test_mirrored_curves_share_their_errors():
    mirrored = reader(symmetric=True).curve_errors(2)
    for angle in (10, 90, 170):
        np.testing.assert_array_equal(mirrored[:, curveset.h(angle)[0]], mirrored[:, curveset.h(-angle)[0]])
    assert not np.array_equal(mirrored[:, curveset.v(10)[0]], mirrored[:, curveset.v(-10)[0]])


@pytest.mark.parametrize("symmetric", [False, True])
def test_shares_of_slots_as_shares_of_readings_keep_their_sum(symmetric):
    share = np.random.default_rng(2).random((2, curveset.SLOTS, 3))
    merged = reader(symmetric=symmetric).merged(share)
    np.testing.assert_allclose(merged.sum(axis=1), share.sum(axis=1))
    independent = curveset.SLOTS - len(curveset.POLES) - (17 if symmetric else 0)
    assert (merged > 0).any(axis=(0, 2)).sum() == independent


@pytest.mark.parametrize("points", [directivity.EVERY, directivity.SECOND])
def test_errors_of_smoothed_curves_are_those_of_curves_smoothed_afterwards(points):
    r = reader()
    direct = r.smoothed_errors(points, 100)[:, LEFT : LEFT + 6].reshape(600, -1)
    later = grid.smooth_third_octave(r.curve_errors(100)[:, LEFT : LEFT + 6])[..., points.of_grid].reshape(600, -1)
    np.testing.assert_allclose(direct.std(axis=0), later.std(axis=0), rtol=0.15)  # five standard errors of 600 draws
    assert direct.std() == pytest.approx(later.std(), rel=0.03)
    step = 6 // (points.of_grid.step or 1)  # 0.3 octaves on
    lag = [np.mean(x[:, step:] * x[:, :-step]) / np.mean(x**2) for x in (direct, later)]
    assert lag[0] == pytest.approx(lag[1], abs=0.05)


@pytest.mark.parametrize("points", [directivity.EVERY, directivity.SECOND])
@pytest.mark.parametrize("width", [1 / 6, 0.5])
def test_smoothed_fields_have_the_correlation_of_what_smoothing_leaves_up_to_the_ends_of_their_band(points, width):
    average = np.array([np.abs(np.arange(len(LOG2_HZ)) - i) <= 3 for i in range(len(LOG2_HZ))], float)
    average /= average.sum(axis=1, keepdims=True)  # seven points of the grid, fewer at its ends
    left = average @ np.exp(-np.pi * ((LOG2_HZ[:, None] - LOG2_HZ) / width) ** 2) @ average.T
    expected = left[np.ix_(points.index, points.index)]
    drawn = fields.smoothed_field(np.random.default_rng(3), 20000, width, points)
    found = drawn.T @ drawn / len(drawn)
    np.testing.assert_allclose(found, expected, atol=0.08)  # of 20,000 draws 0.035, and what the nodes leave behind


def test_a_sessions_own_figures_override_the_defaults_also_over_frequency():
    errors = reader(uncertainty={"repeatability": ((100.0, 0.0), (1000.0, 1.0))}).curve_errors(10)
    assert not errors[..., FREQUENCY_HZ <= 100].any()
    assert errors[:, LEFT, FREQUENCY_HZ >= 1000].std() == pytest.approx(1.0, rel=0.1)


def test_single_readings_of_the_listening_axis_are_not_the_mean_of_two():
    drawn = reader().single_readings(np.zeros((7, 199), np.float32))
    assert drawn.shape == (DRAWS, 7, 199)
    np.testing.assert_allclose(drawn.std(axis=(0, 2)), 0.15, rtol=0.05)


def test_what_a_merge_leaves_open_is_shared_by_the_curves_of_a_session_and_ends_with_the_overlap():
    merge = ((180.0, 0.4), (360.0, 0.0))
    plain, merged = reader().own_common, reader(uncertainty={"merge": merge}).own_common
    own = (merged - plain).std(axis=0)
    assert own[FREQUENCY_HZ < 170] == pytest.approx(0.4, abs=0.06)  # four standard errors of 400 draws
    np.testing.assert_array_equal(own[FREQUENCY_HZ > 360], 0.0)
    np.testing.assert_allclose(
        DEFAULT.common_sd(info(uncertainty={"merge": merge})),
        np.hypot(DEFAULT.common_sd(info()), DEFAULT.sd(info(uncertainty={"merge": merge}), "merge")),
        rtol=1e-6,
    )
