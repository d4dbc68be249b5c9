"""Output and distortion in closed form: where a straight line crosses a limit, what is delivered there, and which bound
is left."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speakerdb.acoustics import grid, output, programme
from speakerdb.acoustics.bounds import AT_LEAST, AT_MOST, EXACT
from speakerdb.acoustics.output import Usable

F = grid.FREQUENCY_HZ
DRIVES_DB = np.array([74.0, 80.0, 86.0, 92.0, 96.0, 100.0, 104.0, 108.0])
THREE_PERCENT_DB = 20.0 * np.log10(0.03)
TEN_PERCENT_DB = -20.0


def everywhere(per_drive):
    """The same at all frequencies: (k,) -> (k, 199)."""
    return np.repeat(np.asarray(per_drive, float)[:, None], len(F), axis=1)


def thd_line(at_86_db=-60.0, db_per_db=2.0, drives=DRIVES_DB):
    """Distortion that grows by db_per_db with each dB of drive."""
    return at_86_db + db_per_db * (drives - 86.0)


def swept(loss_db, drives=DRIVES_DB):
    """Compression of a flat speaker that loses loss_db, (k,) or (k, 199), at each drive."""
    loss = np.asarray(loss_db, float)
    return output.compression(drives, drives[:, None] - (everywhere(loss) if loss.ndim == 1 else loss))


def one(bounded):
    return float(bounded.value), int(bounded.code)


# --- clean level


@pytest.mark.parametrize("db_per_db", [1.0, 2.0, 3.7])
@pytest.mark.parametrize(
    ("percent", "limit_db", "band"),
    [(3.0, THREE_PERCENT_DB, output.MID_BAND), (10.0, TEN_PERCENT_DB, output.BASS_BAND)],
)
def test_the_clean_level_is_where_rising_distortion_crosses_its_limit(db_per_db, percent, limit_db, band):
    crossing = 101.3  # between the drives of 100 and 104 dB
    thd = everywhere(limit_db + db_per_db * (DRIVES_DB - crossing))
    value, code = one(output.clean_level(output.distortion(DRIVES_DB, thd), percent, band))
    assert code == EXACT
    assert value == pytest.approx(crossing, abs=1e-9)


def test_the_worst_frequency_of_the_band_sets_the_clean_level_and_others_do_not_count():
    thd = everywhere(thd_line(-70.0))
    crossing = 90.0
    wider_than_the_smoothing = grid.band(900.0, 1200.0)
    thd[:, wider_than_the_smoothing] = (THREE_PERCENT_DB + 2.0 * (DRIVES_DB - crossing))[:, None]
    thd[:, grid.band(20.3, 100.0)] = 0.0  # 100 % in the bass is not the midrange's affair
    thd[:, grid.band(8000.0, 19401.0)] = 0.0
    value, code = one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND))
    assert code == EXACT
    assert value == pytest.approx(crossing, abs=1e-9)


def test_a_narrow_line_counts_by_its_third_octave_power_average():
    thd = everywhere(np.full(len(DRIVES_DB), -200.0))
    thd[:, grid.at_or_below(1000.0)] = thd_line(-60.0, 2.0)
    value, _ = one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND))
    spread = THREE_PERCENT_DB + 10.0 * np.log10(7.0)  # one of seven equal weights
    assert value == pytest.approx(86.0 + (spread + 60.0) / 2.0, abs=1e-6)


def test_distortion_that_never_passes_the_limit_gives_at_least_the_highest_drive():
    assert one(
        output.clean_level(output.distortion(DRIVES_DB, everywhere(thd_line(-100.0))), 3.0, output.MID_BAND)
    ) == (108.0, AT_LEAST)


def test_distortion_that_is_always_above_gives_at_most_the_lowest_drive():
    assert one(
        output.clean_level(output.distortion(DRIVES_DB, everywhere(thd_line(0.0, 0.1))), 3.0, output.MID_BAND)
    ) == (74.0, AT_MOST)


def test_exactly_at_the_limit_is_still_clean():
    thd = everywhere(np.where(DRIVES_DB <= 92.0, THREE_PERCENT_DB, 0.0))
    value, _ = one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND))
    assert value >= 92.0


def test_a_first_drive_in_the_noise_is_passed_over_and_flagged():
    thd = thd_line(-60.0)
    noisy = thd.copy()
    noisy[:2] = -20.0  # the microphone's noise at the two lowest drives
    clean, code = one(output.clean_level(output.distortion(DRIVES_DB, everywhere(noisy)), 3.0, output.MID_BAND))
    assert code == EXACT
    assert clean == pytest.approx(
        one(output.clean_level(output.distortion(DRIVES_DB, everywhere(thd)), 3.0, output.MID_BAND))[0]
    )
    assert output.noise_limited(output.distortion(DRIVES_DB, everywhere(noisy)), 3.0, output.MID_BAND)
    assert not output.noise_limited(output.distortion(DRIVES_DB, everywhere(thd)), 3.0, output.MID_BAND)


def test_the_first_crossing_counts_even_where_distortion_falls_again():
    thd = np.array([-60.0, -40.0, -20.0, -40.0, -40.0, -40.0, -40.0, -10.0])
    value, code = one(output.clean_level(output.distortion(DRIVES_DB, everywhere(thd)), 3.0, output.MID_BAND))
    assert code == EXACT
    assert value == pytest.approx(80.0 + 6.0 * (THREE_PERCENT_DB + 40.0) / 20.0)


def test_bounds_meet_in_a_band_by_what_each_can_say():
    """Somewhere too distorted already at the lowest drive, elsewhere crossing, elsewhere never: the first of these
    rules."""
    thd = everywhere(thd_line(-100.0))
    inside = grid.band(400.0, 800.0)
    thd[:, inside] = everywhere(thd_line())[:, inside]
    crossing = 86.0 + (THREE_PERCENT_DB + 60.0) / 2.0
    value, code = one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND))
    assert code == EXACT
    assert value == pytest.approx(crossing)
    thd[:, grid.band(2000.0, 3000.0)] = -10.0
    assert one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND)) == (74.0, AT_MOST)


def test_a_band_with_a_hole_has_no_clean_level():
    thd = everywhere(thd_line())
    thd[:, grid.at_or_below(1000.0)] = np.nan
    assert np.isnan(one(output.clean_level(output.distortion(DRIVES_DB, thd), 3.0, output.MID_BAND))[0])
    assert not np.isnan(one(output.clean_level(output.distortion(DRIVES_DB, thd), 10.0, output.BASS_BAND))[0])


# --- distortion at a drive


def test_distortion_at_a_drive_is_linear_in_db_between_the_drives_around_it():
    drives = np.array([80.0, 92.0, 104.0])
    curves = everywhere([-60.0, -40.0, -10.0])
    assert output.distortion_at(drives, curves, 86.0) == pytest.approx(np.full(199, -50.0))
    assert output.distortion_at(drives, curves, 92.0) == pytest.approx(np.full(199, -40.0))
    assert output.distortion_at(drives, curves, 96.0) == pytest.approx(np.full(199, -30.0))


@pytest.mark.parametrize("at", [79.0, 105.0])
def test_distortion_is_unknown_outside_the_drives(at):
    assert np.isnan(output.distortion_at(np.array([80.0, 104.0]), everywhere([-60.0, -40.0]), at)).all()


def test_the_outermost_lines_may_be_prolonged_so_far_and_no_farther():
    drives, curves = np.array([80.0, 92.0, 104.0]), everywhere([-60.0, -40.0, -10.0])
    beyond = [output.distortion_at(drives, curves, at, beyond_db=3.0)[0] for at in (78.0, 106.0)]
    assert beyond == pytest.approx([-60.0 - 2.0 * 20.0 / 12.0, -10.0 + 2.0 * 30.0 / 12.0])
    for at in (76.9, 107.1):
        assert np.isnan(output.distortion_at(drives, curves, at, beyond_db=3.0)).all()
    # within the drives nothing is prolonged: 91 dB lies on the line below, 93 on that above
    near = [output.distortion_at(drives, curves, at, beyond_db=3.0)[0] for at in (91.0, 93.0)]
    assert near == pytest.approx([-40.0 - 20.0 / 12.0, -40.0 + 30.0 / 12.0])


def test_the_mean_over_a_band_is_of_squared_ratios():
    level = np.full(199, -200.0)
    band = output.MID_BAND
    points = np.arange(199)[band]
    level[points[::2]], level[points[1::2]] = -40.0, 20.0 * np.log10(0.03)  # 1 % and 3 %
    ones, threes = len(points[::2]), len(points[1::2])
    expected = np.sqrt((ones * 1.0 + threes * 9.0) / (ones + threes))
    assert output.rms_percent(level, band) == pytest.approx(expected)


# --- compression, maximum level


def test_maximum_level_of_a_loss_given_by_a_formula():
    loss = np.maximum(0.0, 0.5 * (DRIVES_DB - 96.0))  # 3 dB lost at a drive of 102
    found = output.max_level(swept(loss))
    assert one(found.level) == (pytest.approx(99.0), EXACT)
    # delivered at the drives around it, 100 and 104 dB
    assert float(found.low_db) == pytest.approx(98.0)
    assert float(found.high_db) == pytest.approx(100.0)


def test_loss_is_the_mean_over_300_hz_to_3_khz_and_nothing_else():
    loss = everywhere(np.maximum(0.0, 0.5 * (DRIVES_DB - 96.0)))
    outside = np.ones(199, bool)
    outside[output.LEVEL_BAND] = False
    loss[:, outside] = 0.0
    assert one(output.max_level(swept(loss)).level)[0] == pytest.approx(99.0)
    loss[:, outside] = 20.0 * (DRIVES_DB[:, None] > 74.0)
    assert one(output.max_level(swept(loss)).level)[0] == pytest.approx(99.0)


def test_the_lowest_sweeps_own_shape_and_level_cancel():
    shape = 5.0 * np.sin(np.log2(F))
    loss = np.maximum(0.0, 0.5 * (DRIVES_DB - 96.0))
    c = output.compression(DRIVES_DB, DRIVES_DB[:, None] - loss[:, None] + shape)
    assert one(output.max_level(c).level)[0] == pytest.approx(99.0)


def test_three_db_never_lost_is_at_least_what_the_highest_drive_delivered():
    loss = 0.02 * np.maximum(0.0, DRIVES_DB - 86.0)
    assert one(output.max_level(swept(loss)).level) == (pytest.approx(108.0 - 0.44), AT_LEAST)


def test_a_reference_that_compresses_already_gives_an_upper_bound():
    loss = 0.15 * (DRIVES_DB - 74.0)  # from the first dB on: 3 dB at a drive of 94
    value, code = one(output.max_level(swept(loss)).level)
    assert code == AT_MOST
    assert value == pytest.approx(91.0)


def test_a_reference_that_compresses_already_gives_nothing_where_three_db_are_not_reached():
    loss = 0.05 * (DRIVES_DB - 74.0)  # 1.7 dB in all
    assert np.isnan(output.max_level(swept(loss)).level.value)


@pytest.mark.parametrize(("slope", "linear"), [(0.029, True), (0.030, True), (0.031, False), (-0.1, True)])
def test_a_reference_is_linear_while_no_more_than_3_hundredths_of_a_db_are_lost_per_db(slope, linear):
    loss = np.concatenate([[0.0], np.full(len(DRIVES_DB) - 1, slope * (DRIVES_DB[1] - DRIVES_DB[0]))])
    assert bool(swept(loss).linear) is linear


# --- balance level


def bass_loss(db_per_db, below_hz=200.0, from_db=86.0):
    loss = np.zeros((len(DRIVES_DB), 199))
    loss[:, below_hz > F] = np.maximum(0.0, db_per_db * (DRIVES_DB - from_db))[:, None]
    return loss


# --- usable output


LOUD_DRIVES_DB = np.arange(74.0, 123.0, 6.0)
DISTORTS, COMPRESSES, ENDED = programme.DISTORTION, programme.COMPRESSION, programme.SWEEP_ENDED


def usable(c, d):
    return output.usable_output(c, d, (199,))


def test_distortion_binds_where_it_is_reached_first():
    c = swept(np.maximum(0.0, 0.5 * (LOUD_DRIVES_DB - 104.0)), LOUD_DRIVES_DB)  # 3 dB at a drive of 110
    thd = everywhere(THREE_PERCENT_DB + 2.0 * (DRIVES_DB - 98.0))
    found = usable(c, output.distortion(DRIVES_DB, thd))
    mid = grid.band(200.0, 5000.0)
    assert found.low_db[mid] == pytest.approx(98.0)
    assert found.high_db[mid] == pytest.approx(98.0)
    assert (found.cause[mid] == DISTORTS).all()
    bass = grid.band(30.0, 80.0)  # 10 % there
    assert found.low_db[bass] == pytest.approx(98.0 + (TEN_PERCENT_DB - THREE_PERCENT_DB) / 2.0)


def test_the_limit_is_10_percent_up_to_100_hz_and_3_above():
    thd = everywhere(THREE_PERCENT_DB + 2.0 * (DRIVES_DB - 90.0))
    found = usable(swept(np.zeros(8)), output.distortion(DRIVES_DB, thd)).low_db
    at = int(np.argmin(np.abs(F - 100.0)))
    assert F[at] == pytest.approx(100.0)
    assert found[at + 1] == pytest.approx(90.0)
    assert found[at] == pytest.approx(90.0 + (TEN_PERCENT_DB - THREE_PERCENT_DB) / 2.0)


def test_compression_binds_where_it_is_reached_first_and_takes_its_3_db():
    c = swept(np.maximum(0.0, 0.5 * (DRIVES_DB - 90.0)))
    found = usable(c, output.distortion(DRIVES_DB, everywhere(np.full(8, -80.0))))
    # drives of 92, 96 and 100 dB lose 1, 3 and 5 dB
    assert found.low_db == pytest.approx(np.full(199, 93.0))
    assert found.high_db == pytest.approx(np.full(199, 93.0))
    assert (found.cause == COMPRESSES).all()


def test_the_loss_at_the_clean_drive_and_the_shape_of_the_response_count():
    c = swept(np.maximum(0.0, 0.25 * (DRIVES_DB - 92.0)))  # 2 dB at 100
    thd = everywhere(THREE_PERCENT_DB + 1.0 * (DRIVES_DB - 100.0))
    shape = -12.0 * np.maximum(0.0, np.log2(60.0 / F))
    held = usable(c, output.distortion(DRIVES_DB, thd))
    found = held.moved(shape)
    assert found.low_db[output.MID_BAND] == pytest.approx(98.0)
    np.testing.assert_allclose(found.low_db - held.low_db, shape)


@pytest.mark.parametrize(
    ("loss", "thd", "low", "high", "cause"),
    [
        (0.0, -80.0, 108.0, np.inf, ENDED),  # neither reached
        (0.0, 0.0, -np.inf, 74.0, DISTORTS),  # distorted from the first drive on
    ],
)
def test_usable_output_keeps_the_bound_of_what_binds(loss, thd, low, high, cause):
    found = usable(swept(np.full(8, loss)), output.distortion(DRIVES_DB, everywhere(np.full(8, thd))))
    np.testing.assert_allclose(found.low_db, np.full(199, low))
    np.testing.assert_allclose(found.high_db, np.full(199, high))
    assert (found.cause == cause).all()


def test_drives_that_end_early_leave_it_between_their_end_and_what_the_other_sweep_shows():
    c = swept(np.zeros(4), DRIVES_DB[:4])  # compression up to 92 dB
    thd = everywhere(THREE_PERCENT_DB + 2.0 * (DRIVES_DB - 100.0))
    found = usable(c, output.distortion(DRIVES_DB, thd))
    assert found.low_db[output.MID_BAND] == pytest.approx(92.0)
    assert found.high_db[output.MID_BAND] == pytest.approx(100.0)
    assert (found.cause[output.MID_BAND] == ENDED).all()


def test_what_was_measured_alone_tells_and_of_nothing_nothing_is_known():
    c = swept(np.maximum(0.0, 0.5 * (DRIVES_DB - 90.0)))
    d = output.distortion(DRIVES_DB, everywhere(THREE_PERCENT_DB + 2.0 * (DRIVES_DB - 98.0)))
    assert usable(c, None).low_db == pytest.approx(np.full(199, 93.0))
    alone = usable(None, d)
    assert alone.low_db[output.MID_BAND] == pytest.approx(98.0)
    assert (alone.cause == DISTORTS).all()
    none = usable(None, None)
    assert np.isneginf(none.low_db).all()
    assert np.isposinf(none.high_db).all()
    assert (none.cause == -1).all()


def test_between_grid_points_usable_output_is_linear_over_log_frequency():
    slope = 12.0 * np.log2(F / 100.0)  # dB, 12 per octave
    bend = np.where(np.arange(199) == 198, 5.0, 0.0)  # the last point lies off the line, and so does all beside it
    curve = Usable(slope + bend, slope + bend, np.zeros(199, np.int8))
    for at_hz in (F[0], 40.0, 63.0, 100.0, F[197], F[198]):
        found = output.at_frequency(curve, float(at_hz))
        off = 5.0 if at_hz == F[198] else 0.0
        assert float(found.value) == pytest.approx(12.0 * np.log2(at_hz / 100.0) + off, abs=1e-6)
        assert int(found.code) == EXACT
    middle = output.at_frequency(curve, float(np.sqrt(F[197] * F[198])))
    assert float(middle.value) == pytest.approx((slope[197] + slope[198] + 5.0) / 2.0, abs=1e-6)


# --- whatever the data


def naive_crossing(drives, values, limit):
    """The definition read aloud, one frequency."""
    pairs = [(d, v) for d, v in zip(drives, values, strict=True) if not np.isnan(v)]
    if not pairs:
        return np.nan, EXACT
    at = next((i for i, (_, v) in enumerate(pairs) if v <= limit), None)
    if at is None:
        return pairs[0][0], AT_MOST
    for (d0, v0), (d1, v1) in zip(pairs[at:], pairs[at + 1 :], strict=False):
        if v1 > limit:
            return d0 + (limit - v0) / (v1 - v0) * (d1 - d0), EXACT
    return pairs[-1][0], AT_LEAST


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_crossings_follow_their_definition_frequency_by_frequency(data):
    count = data.draw(st.integers(1, 7))
    steps = data.draw(st.lists(st.floats(0.5, 8.0), min_size=count, max_size=count))
    drives = 70.0 + np.cumsum(steps)
    level = st.one_of(st.floats(-80.0, 0.0), st.just(np.nan), st.just(-30.0))
    values = np.array(data.draw(st.lists(st.lists(level, min_size=4, max_size=4), min_size=count, max_size=count)))
    found = output.rises_past(drives, values, -30.0)
    for f in range(4):
        value, code = naive_crossing(drives, values[:, f], -30.0)
        assert found.code[f] == code
        np.testing.assert_allclose(found.value[f], value, atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(offset=st.floats(-20.0, 20.0), slope=st.floats(0.3, 1.5))
def test_drives_read_higher_by_a_constant_raise_every_level_by_it(offset, slope):
    loss = bass_loss(slope) + np.maximum(0.0, slope * (DRIVES_DB - 96.0))[:, None]
    level = DRIVES_DB[:, None] - loss
    here, there = output.compression(DRIVES_DB, level), output.compression(DRIVES_DB + offset, level)
    before, after = (output.max_level(c).level for c in (here, there))
    assert float(after.value) == pytest.approx(float(before.value) + offset, abs=1e-6)
    assert after.code == before.code
    held, moved = (output.usable_output(c, None, (199,)) for c in (here, there))
    np.testing.assert_allclose(moved.low_db, held.low_db + offset, atol=1e-6)


def test_a_drive_that_lies_on_the_line_between_its_neighbours_changes_nothing():
    loss = np.maximum(0.0, 0.5 * (DRIVES_DB - 96.0))
    fewer = np.delete(np.arange(8), [2, 6])  # 86 and 104 dB lie on lines
    assert one(output.max_level(swept(loss)).level)[0] == pytest.approx(
        one(output.max_level(swept(loss[fewer], DRIVES_DB[fewer])).level)[0]
    )


def test_many_speakers_at_once_give_what_each_gives_alone():
    rng = np.random.default_rng(5)
    drives = np.sort(rng.uniform(70.0, 110.0, (6, 5)), axis=1)
    level = drives[..., None] - np.cumsum(rng.uniform(0.0, 1.5, (6, 5, 199)), axis=1)
    thd = np.cumsum(rng.uniform(-2.0, 12.0, (6, 5, 199)), axis=1) - 55.0
    many = output.compression(drives, level)
    found = output.usable_output(many, output.distortion(drives, thd), (6, 199))
    for i in range(6):
        alone = output.compression(drives[i], level[i])
        mine = usable(alone, output.distortion(drives[i], thd[i]))
        np.testing.assert_allclose(found.low_db[i], mine.low_db)
        np.testing.assert_allclose(found.high_db[i], mine.high_db)
        np.testing.assert_array_equal(found.cause[i], mine.cause)
        np.testing.assert_allclose(output.max_level(many).level.value[i], output.max_level(alone).level.value)


def test_where_the_reference_compresses_and_3_db_are_not_lost_distortion_still_bounds_the_output_from_above():
    c = swept(0.05 * (DRIVES_DB - 74.0))  # 0.05 dB per dB from the first dB on, 1.7 dB in all
    thd = everywhere(THREE_PERCENT_DB + 2.0 * (DRIVES_DB - 94.0))
    found = usable(c, output.distortion(DRIVES_DB, thd))
    assert np.isneginf(found.low_db[output.MID_BAND]).all()
    assert found.high_db[output.MID_BAND] == pytest.approx(94.0 - 1.0)
    assert (found.cause[output.MID_BAND] == DISTORTS).all()
    clean = usable(c, output.distortion(DRIVES_DB, everywhere(np.full(8, -90.0))))
    assert np.isneginf(clean.low_db).all()
    assert np.isposinf(clean.high_db).all()


def test_a_frequency_on_the_grid_needs_no_neighbour():
    low, high = np.where(F > 100.5, -np.inf, 95.0), np.where(F > 100.5, np.inf, 95.0)
    assert float(output.at_frequency(Usable(low, high, np.zeros(199, np.int8)), 100.0).value) == pytest.approx(95.0)
