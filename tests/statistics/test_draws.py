"""The error model: fields with the stated correlation, seeds that come from the data alone, errors shared as stated."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from speakerdb.acoustics import curveset
from speakerdb.acoustics.grid import FREQUENCY_HZ, LOG2_HZ
from speakerdb.statistics import draws, fields
from speakerdb.statistics.error_model import DEFAULT_SD, SharedKeys, sd_over_frequency
from tests.store.builders import info


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


def test_calibration_is_half_a_decibel_and_rises_towards_both_ends():
    sd = sd_over_frequency(DEFAULT_SD["calibration"])
    at = {f: float(np.interp(np.log2(f), LOG2_HZ, sd)) for f in (25, 30, 300, 1000, 3000, 10000, 16000)}
    assert [at[25], at[30]] == pytest.approx([1.5, 1.5], abs=0.02)
    assert at[300] == at[1000] == at[3000] == pytest.approx(0.5)
    assert at[16000] == pytest.approx(1.0)


def keys(content="c", **changes):
    return SharedKeys.of(info(**changes), content)


def test_sessions_share_calibration_by_lab_method_and_calibration_sample_by_serial_and_level_by_run():
    a, other_day = info(), info(date="2026-05-01")
    one, two = draws.shared_errors(a, keys()), draws.shared_errors(other_day, keys("d", date="2026-05-01"))
    np.testing.assert_array_equal(one.calibration, two.calibration)
    np.testing.assert_array_equal(one.sample, two.sample)
    assert not np.array_equal(one.level, two.level)
    far = draws.shared_errors(info(lab="attic"), keys(lab="attic"))
    assert not np.array_equal(one.calibration, far.calibration)
    np.testing.assert_array_equal(one.sample, far.sample)
    unit = draws.shared_errors(info(sample="2"), keys(sample="2"))
    np.testing.assert_array_equal(one.calibration, unit.calibration)
    assert not np.array_equal(one.sample, unit.sample)
    with_run = [draws.shared_errors(info(run="r", date=d), keys(run="r", date=d)) for d in ("2026-01-01", "2026-02-01")]
    np.testing.assert_array_equal(with_run[0].level, with_run[1].level)


def test_statements_about_the_unit_have_no_errors_from_sample_to_sample():
    shared = draws.shared_errors(info(), keys(), unit=True)
    assert not shared.sample.any()
    assert not shared.directivity.any()
    assert shared.calibration.any()


def test_the_sample_directivity_error_is_nothing_on_the_axis_and_whole_behind():
    a = info()
    shared = draws.shared_errors(a, keys())
    shared = dataclasses.replace(
        shared, calibration=0 * shared.calibration, sample=0 * shared.sample, level=0 * shared.level
    )
    flat = np.zeros((72, 199), np.float32)
    quiet = dataclasses.replace(a, uncertainty={"repeatability": 0.0})
    noisy = draws.noisy_levels(flat, shared, quiet, keys(), 0, 3)
    np.testing.assert_allclose(noisy[:, curveset.h(0)[0]], 0.0, atol=1e-6)
    for slot in (curveset.h(180)[0], curveset.v(180)[0]):
        np.testing.assert_allclose(noisy[:, slot], shared.directivity[:3], atol=1e-6)
    for slot in (curveset.h(90)[0], curveset.v(-90)[0]):
        np.testing.assert_allclose(noisy[:, slot], shared.directivity[:3] / 2, atol=1e-6)


def test_curve_errors_do_not_depend_on_the_parts_they_are_asked_for_in():
    whole = draws.curve_errors(info(), keys(), 0, 6)
    np.testing.assert_allclose(
        np.concatenate([draws.curve_errors(info(), keys(), i, i + 2) for i in (0, 2, 4)]), whole, atol=1e-6
    )


def test_repeatability_is_independent_per_curve_and_shared_by_mirrored_ones():
    free = draws.curve_errors(info(), keys(), 0, 40)
    left, right = curveset.h(30)[0], curveset.h(-30)[0]
    assert abs(np.corrcoef(free[:, left].ravel(), free[:, right].ravel())[0, 1]) < 0.2
    assert abs(np.corrcoef(free[:, curveset.ON_AXIS].ravel(), free[:, curveset.V_AXIS].ravel())[0, 1]) < 0.2
    assert free.std() == pytest.approx(0.2, rel=0.02)
    mirrored = draws.curve_errors(info(symmetric=True), keys(symmetric=True), 0, 2)
    for angle in (10, 90, 170):
        np.testing.assert_array_equal(mirrored[:, curveset.h(angle)[0]], mirrored[:, curveset.h(-angle)[0]])
    assert not np.array_equal(mirrored[:, curveset.v(10)[0]], mirrored[:, curveset.v(-10)[0]])


def test_a_sessions_own_figures_override_the_defaults_also_over_frequency():
    own = info(uncertainty={"repeatability": ((100.0, 0.0), (1000.0, 1.0))})
    errors = draws.curve_errors(own, keys(), 0, 10)
    assert not errors[..., FREQUENCY_HZ <= 100].any()
    assert errors[..., FREQUENCY_HZ >= 1000].std() == pytest.approx(1.0, rel=0.05)
