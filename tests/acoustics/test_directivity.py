"""What happens off the axis, on patterns whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import curveset, directivity, grid
from speakerdb.acoustics.curveset import ANGLES_DEG, PER_ORBIT, h, v

F = grid.FREQUENCY_HZ
OUT = np.arange(0.0, 181.0, 10.0)


def orbit(pattern_db):
    """(1, 72, 199) of a level (angle, f) in dB, alike on both orbits."""
    both = np.concatenate([ANGLES_DEG, ANGLES_DEG]).astype(float)
    return np.broadcast_to(pattern_db(both[:, None], F[None, :]), (72, 199))[None].copy()


def crossing(values, limit=-6.0):
    found = directivity.first_crossing(np.asarray(values, float)[None, :, None], limit)
    return float(found.deg[0, 0]), bool(found.at_least[0, 0])


# --- going out from the axis


@pytest.mark.parametrize("db_per_deg", [0.1, 0.15, 0.37, 1.0])
def test_a_pattern_that_falls_steadily_crosses_where_its_line_does(db_per_deg):
    assert crossing(-db_per_deg * OUT) == (pytest.approx(6.0 / db_per_deg), False)


def test_the_first_crossing_counts_even_where_a_side_lobe_comes_up_again():
    level = -0.2 * OUT
    level[8:12] = 0.0
    assert crossing(level)[0] == pytest.approx(30.0)


def test_no_crossing_all_around_is_180_degrees():
    assert crossing(np.full(19, -5.9)) == (180.0, False)


def test_what_was_not_measured_bounds_the_angle_from_below():
    level = -0.05 * OUT
    level[7:] = np.nan
    assert crossing(level) == (60.0, True)


def test_a_crossing_before_the_unmeasured_part_stands():
    level = -0.2 * OUT
    level[7:] = np.nan
    assert crossing(level) == (pytest.approx(30.0), False)


def test_a_side_of_which_nothing_was_measured_is_unknown():
    level = np.full(19, np.nan)
    level[0] = 0.0
    assert np.isnan(crossing(level)[0])
    assert not crossing(level)[1]


# --- beamwidth


def test_a_symmetric_pattern_is_twice_its_half_angle_wide():
    level = orbit(lambda a, f: -6.0 * np.abs(a) / 45.0 + 0 * f)
    angle = directivity.full_angle(level, ("left", "right"))
    np.testing.assert_allclose(angle.deg, 90.0)
    width = directivity.beamwidth(angle)
    assert width.median_deg[0] == pytest.approx(90.0)
    assert width.sd_oct[0] == pytest.approx(0.0, abs=1e-6)


def test_both_sides_add_up():
    level = orbit(lambda a, f: np.where(a > 0, -6.0 * a / 30.0, 6.0 * a / 70.0) + 0 * f)
    np.testing.assert_allclose(directivity.full_angle(level, ("left", "right")).deg, 100.0)


@pytest.mark.parametrize("side", [1, -1])
def test_a_pattern_that_stays_open_on_one_side_is_at_least_as_wide_as_was_measured(side):
    """30° on one side, on the other open as far as it was measured: to 90°."""
    level = orbit(
        lambda a, f: np.where(side * a > 90, np.nan, np.where(side * a < 0, -6.0 * np.abs(a) / 30.0, 0.0)) + 0 * f
    )
    angle = directivity.full_angle(level, ("left", "right"))
    np.testing.assert_allclose(angle.deg, 30.0 + 90.0)
    assert angle.at_least.all()
    closed = directivity.full_angle(orbit(lambda a, f: -6.0 * np.abs(a) / 30.0 + 0 * f), ("left", "right"))
    assert not closed.at_least.any()


def test_the_median_is_over_1_to_10_khz():
    level = orbit(lambda a, f: -6.0 * np.abs(a) / np.where((f < 950) | (f > 10500), 20.0, 50.0))
    assert directivity.beamwidth(directivity.full_angle(level, ("up", "down"))).median_deg[0] == pytest.approx(100.0)


def test_an_even_narrowing_is_no_unevenness():
    # half as wide per two octaves: a straight line of log2(angle) over log f
    level = orbit(lambda a, f: -6.0 * np.abs(a) / (80.0 * (1000.0 / f) ** 0.5))
    width = directivity.beamwidth(directivity.full_angle(level, ("left", "right")))
    assert width.sd_oct[0] == pytest.approx(0.0, abs=1e-6)


def test_unevenness_is_in_octaves_of_the_angle():
    wave = np.where(np.arange(199) % 2, 1.0, -1.0)  # ± half an octave about the line
    level = orbit(lambda a, f: -6.0 * np.abs(a) / (50.0 * 2 ** (0.5 * wave)))
    width = directivity.beamwidth(directivity.full_angle(level, ("left", "right")))
    assert width.sd_oct[0] == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("open_from_hz", [12000.0, 8000.0, 2000.0, 900.0])
def test_a_median_is_a_bound_only_where_open_angles_reach_into_it(open_from_hz):
    """Wide open (≥ 120°) above a frequency, 80° below it."""
    angle = directivity.Angle(np.where(open_from_hz <= F, 120.0, 80.0)[None], (open_from_hz <= F)[None])
    width = directivity.beamwidth(angle)
    inside = F[directivity.BEAM]
    most_are_open = (inside >= open_from_hz).sum() >= len(inside) / 2
    assert bool(width.at_least[0]) == most_are_open
    assert np.isnan(width.sd_oct[0]) == (open_from_hz < 10000.0)


def test_an_open_angle_in_the_upper_middle_makes_the_median_a_bound():
    deg, open_end = np.full(199, 80.0), np.zeros(199, bool)
    rows = np.arange(199)[directivity.BEAM]
    raised = rows[: (len(rows) + 1) // 2]  # half of them open, or one more than half
    deg[raised], open_end[raised] = 120.0, True
    assert directivity.beamwidth(directivity.Angle(deg[None], open_end[None])).at_least[0]


# --- tone


def smoothed(level):
    return 10 * np.log10(grid.smooth_third_octave(curveset.power_of(level)))


def test_tone_ends_where_the_level_is_6_db_down():
    level = orbit(lambda a, f: -0.15 * np.abs(a) + 0 * f)
    found = directivity.tone_angle(smoothed(level), np.zeros((1, 199)), "left")
    assert (found.deg[0], bool(found.at_least[0])) == (pytest.approx(40.0), False)


def test_tone_ends_where_its_shape_is_1_5_db_off():
    wave = np.sqrt(2.0) * np.sin(2 * np.pi * np.arange(199) / 101)  # 1 dB RMS, slow enough for the smoothing
    level = orbit(lambda a, f: 0.05 * np.abs(a) * wave)
    for side in ("left", "right", "up", "down"):
        found = directivity.tone_angle(smoothed(level), np.zeros((1, 199)), side)
        assert found.deg[0] == pytest.approx(30.0, abs=1.0)


def test_an_axis_that_already_differs_holds_at_no_angle():
    level = orbit(lambda a, f: 5.0 * np.sin(2 * np.pi * np.arange(199) / 60) + 0 * a)
    assert directivity.tone_angle(smoothed(level), np.zeros((1, 199)), "up").deg[0] == 0.0


def test_a_level_alone_is_no_change_of_tone():
    level = orbit(lambda a, f: -5.0 * (np.abs(a) > 5) + 0 * f)
    assert directivity.tone_angle(smoothed(level), np.zeros((1, 199)), "down").deg[0] == 180.0


@pytest.mark.parametrize(
    ("a", "b", "deg", "open_end"),
    [
        ((30.0, False), (50.0, False), 30.0, False),
        ((30.0, False), (20.0, True), 20.0, True),  # the side that ends in the unknown may be the worse or not
        ((30.0, False), (30.0, True), 30.0, False),
        ((60.0, True), (60.0, True), 60.0, True),
    ],
)
def test_the_worse_side_counts(a, b, deg, open_end):
    angles = [directivity.Angle(np.array([x]), np.array([o])) for x, o in (a, b)]
    for first, second in (angles, angles[::-1]):
        found = directivity.worse(first, second)
        assert (found.deg[0], bool(found.at_least[0])) == (deg, open_end)


def test_a_side_that_is_unknown_leaves_the_worse_one_unknown():
    known, unknown = (directivity.Angle(np.array([x]), np.array([False])) for x in (30.0, np.nan))
    assert np.isnan(directivity.worse(known, unknown).deg[0])


# --- turning


def naive_turning(level):
    """method:metrics#turning read aloud, one speaker."""
    band, tone = grid.band(300.0, 3000.0), grid.band(300.0, 10000.0)

    def mean_power(slots, shift=0.0):
        return np.mean(10 ** ((level[slots] + shift) / 10), axis=0)

    def turned(angles, t):
        return h(*(((a + t + 170) % 360) - 170 for a in angles))

    sound_power = np.einsum("s,sf->f", curveset.SP_WEIGHTS, 10 ** (level / 10))
    sides = []
    for sign in (1, -1):
        rooms = []
        for t in (0, 10 * sign, 20 * sign, 30 * sign):
            lift = level[h(t)[0]] - level[h(0)[0]]
            front = turned((0, 10, -10, 20, -20, 30, -30), t)
            window = (7 * mean_power(front) + 2 * mean_power(v(10, -10), lift)) / 9
            early = np.mean(
                [
                    mean_power(v(-20, -30, -40), lift),
                    mean_power(v(40, 50, 60), lift),
                    mean_power(front),
                    mean_power(turned([s * a for a in (40, 50, 60, 70, 80) for s in (1, -1)], t)),
                    mean_power(turned([180, *(s * a for a in range(90, 180, 10) for s in (1, -1))], t)),
                ],
                axis=0,
            )
            room = 10 * np.log10(0.12 * window + 0.44 * early + 0.44 * sound_power)
            rooms.append(room - room[band].mean())
        change = np.std(rooms, axis=0)[tone]
        sides.append(np.sqrt(np.mean(change**2)))
    return np.mean(sides)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_turning_sensitivity_follows_its_definition(seed):
    level = np.random.default_rng(seed).normal(80, 5, (72, 199))
    level[v(0)], level[v(180)] = level[h(0)], level[h(180)]
    found = directivity.turning_sensitivity(directivity.turned_in_room(curveset.power_of(level[None])))
    assert found[0] == pytest.approx(naive_turning(level))


def test_a_mirror_image_is_as_sensitive_to_turning():
    level = np.random.default_rng(5).normal(80, 5, (1, 72, 199))
    mirrored = level.copy()
    mirrored[:, : PER_ORBIT - 1] = level[:, : PER_ORBIT - 1][:, ::-1]  # −170 … 170
    sensitivity = [
        directivity.turning_sensitivity(directivity.turned_in_room(curveset.power_of(x)))[0] for x in (level, mirrored)
    ]
    assert sensitivity[0] == pytest.approx(sensitivity[1])
