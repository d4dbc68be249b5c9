"""Against closed forms of directivity: weights of the orbits, omnidirectional, cardioid, a piston in a baffle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import j1

from speakerdb.acoustics import curveset, directivity, grid

# ANSI/CTA-2034-A, weights for 10° steps at 0, 10 … 90° as shares of the sphere (the standard's table, from memory)
STANDARD_WEIGHTS = [
    0.000604486,
    0.004730189,
    0.008955027,
    0.012387354,
    0.014989611,
    0.016868154,
    0.018165962,
    0.019006744,
    0.019477787,
    0.019629373,
]


def test_orbit_weights_are_those_of_the_standards_table():
    np.testing.assert_allclose(curveset.orbit_weights(10), STANDARD_WEIGHTS, atol=5e-10)


@pytest.mark.parametrize("step", [2.5, 5, 10, 15, 30, 45])
def test_the_pieces_of_both_orbits_make_up_the_sphere_for_any_step_that_divides_90(step):
    piece = curveset.orbit_weights(step)
    # per orbit: the axis and the rear two pieces each, 90° on both sides, every other angle four times
    assert 2 * (4 * piece[0] + 4 * piece[1:-1].sum() + 2 * piece[-1]) == pytest.approx(1.0, abs=1e-12)


def test_a_step_that_does_not_divide_90_is_refused():
    with pytest.raises(ValueError, match="7°"):
        curveset.orbit_weights(7)


def test_sound_power_weights_sum_to_one():
    assert curveset.power_weights().sum() == pytest.approx(1.0, abs=1e-12)


def test_sound_power_weights_are_those_of_the_standard():
    # ANSI/CTA-2034-A's table for 0, 10 … 90° (from memory), given per curve; the readings of the axis and of the rear
    # own two pieces each
    table = [
        0.000604486,
        0.004730189,
        0.008955027,
        0.012387354,
        0.014989611,
        0.016868154,
        0.018165962,
        0.019006744,
        0.019477787,
        0.019629373,
    ]
    weights = curveset.power_weights()
    for slot, angle in enumerate(np.abs(np.concatenate([curveset.ANGLES_DEG, curveset.ANGLES_DEG]))):
        away = min(angle, 180 - angle)
        assert weights[slot] == pytest.approx((2 if away == 0 else 1) * table[away // 10], rel=2e-5), angle


def levels(pattern):
    """(1, 72, 199) in dB of a pressure pattern of the angle from the axis (radians), rotationally symmetric."""
    angle = np.radians(np.abs(np.concatenate([curveset.ANGLES_DEG, curveset.ANGLES_DEG])))
    with np.errstate(divide="ignore"):
        db = 20 * np.log10(np.maximum(np.abs(pattern(angle)), 1e-6))
    return np.repeat(80 + db[:, None], 199, axis=1)[None]


def test_an_omnidirectional_source_has_a_directivity_index_of_zero():
    c = curveset.curve_set(levels(np.ones_like))
    np.testing.assert_allclose(c.di_power, 0.0, atol=1e-12)
    np.testing.assert_allclose(c.di_early, 0.0, atol=1e-12)


def test_a_cardioid_radiates_a_third_of_its_axis():
    # mean over the sphere of ((1 + cos)/2)² is 1/3: 10·log10 3 = 4.77 dB (Beranek & Mellow, Acoustics, directivity
    # factor 3)
    c = curveset.curve_set(levels(lambda a: (1 + np.cos(a)) / 2))
    np.testing.assert_allclose(c.on_axis - c.sp, 10 * np.log10(3), atol=0.15)


@pytest.mark.parametrize("ka", [2.5, 3.0, 4.0, 6.0])
def test_the_beam_of_a_piston_in_a_baffle_ends_where_its_formula_says(ka):
    # 2·J1(x)/x = 0.501 at x = 2.212 (SciPy's j1; Beranek & Mellow, Acoustics, rigid circular piston in an infinite
    # baffle)
    assert 2 * j1(2.212) / 2.212 == pytest.approx(10 ** (-6 / 20), abs=2e-4)

    def piston(angle):
        x = np.maximum(ka * np.sin(angle), 1e-9)
        return np.where(angle <= np.pi / 2, 2 * j1(x) / x, 1e-4)

    angle = directivity.full_angle(levels(piston), ("left", "right"))
    expected = 2 * np.degrees(np.arcsin(2.212 / ka))
    assert not angle.at_least.any()
    # 10° steps, linear in dB between them; a narrower beam (ka = 10, null at 22°) comes out a tenth too narrow for that
    np.testing.assert_allclose(angle.deg, expected, atol=1.5)


def test_a_pattern_that_never_falls_6_db_is_360_degrees_wide():
    angle = directivity.full_angle(levels(np.ones_like), ("left", "right"))
    np.testing.assert_array_equal(angle.deg, 360.0)
    assert not angle.at_least.any()


def test_a_pattern_wider_than_what_was_measured_is_at_least_so_wide():
    level = levels(np.ones_like)
    away = np.abs(np.concatenate([curveset.ANGLES_DEG, curveset.ANGLES_DEG]))
    level[:, away > 60] = np.nan
    angle = directivity.full_angle(level, ("left", "right"))
    np.testing.assert_array_equal(angle.deg, 120.0)
    assert angle.at_least.all()


def test_a_pattern_that_is_the_same_at_all_angles_keeps_its_tone_all_around_and_does_not_mind_being_turned():
    level = levels(np.ones_like) + 3 * np.sin(np.arange(199) / 9)
    power = curveset.power_of(level)
    smoothed = 10 * np.log10(grid.smooth_third_octave(power))
    window = smoothed[:, curveset.ON_AXIS]
    for side in ("left", "right", "up", "down"):
        assert directivity.tone_angle(smoothed, window, side).deg == 180.0
    np.testing.assert_allclose(directivity.turning_sensitivity(directivity.turned_in_room(power)), 0.0, atol=1e-9)
