"""Music through a loudspeaker whose bands share it: closed forms, what more output does, what binds, the amplifier."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import grid, output, programme
from speakerdb.acoustics.programme import BANDS_HZ, NOMINAL_HZ

MUSIC, PINK = programme.SPECTRA["programme"], programme.SPECTRA["pink"]
FULL = programme.asked_db(MUSIC)
MANAGED = programme.asked_db(MUSIC, from_hz=80.0)


def corner_db(frequency_hz):
    """100 dB, and 12 dB per octave less below 100 Hz."""
    return np.minimum(100.0, 100.0 + 12.0 * np.log2(frequency_hz / 100.0))


@pytest.mark.parametrize(
    ("hz", "level_db"), [(20, -26.79), (40, -18.75), (50, -16.94), (100, -13.90), (1000, -12.82), (10000, -20.39)]
)
def test_the_music_falls_at_both_ends(hz, level_db):
    """Σ of 31 bands of 1/((1 + (40/f)²)²·(1 + (f/4500)²)), worked out by hand from the method's formula."""
    assert MUSIC[NOMINAL_HZ.index(hz)] == pytest.approx(level_db, abs=0.005)


def test_bands_are_called_by_the_nominal_frequency_nearest_to_their_centre():
    np.testing.assert_allclose(NOMINAL_HZ, BANDS_HZ, rtol=0.02)
    assert BANDS_HZ[NOMINAL_HZ.index(1000.0)] == 1000.0
    assert np.abs(np.log2(grid.FREQUENCY_HZ[programme.POINTS[1:-1]] / BANDS_HZ[1:-1])).max() <= 1.0 / 40.0 + 1e-9


@pytest.mark.parametrize(("from_hz", "count"), [(31.5, 26), (40.0, 25), (50.0, 24), (63.0, 23), (80.0, 22)])
def test_the_bands_that_count_run_from_where_the_bass_is_asked_to_10_khz(from_hz, count):
    asked = programme.asked_db(MUSIC, from_hz)
    inside = np.flatnonzero(np.isfinite(asked))
    assert [NOMINAL_HZ[i] for i in inside[[0, -1]]] == [from_hz, 10000.0]
    assert len(inside) == count
    np.testing.assert_array_equal(asked[inside], MUSIC[inside])


@pytest.mark.parametrize(
    ("asked", "usable", "level_db"),
    [
        (FULL, lambda hz: np.full(len(hz), 100.0), 100.18),
        (FULL, corner_db, 98.30),
        (programme.asked_db(MUSIC, crossover_hz=80.0), corner_db, 100.58),
        (programme.asked_db(PINK), corner_db, 98.24),
        (programme.asked_db(PINK), lambda hz: np.full(len(hz), 100.0), 100.0 + 10.0 * np.log10(31 / 24)),
    ],
)
def test_levels_in_closed_form(asked, usable, level_db):
    assert float(programme.level_db(asked, usable(BANDS_HZ))) == pytest.approx(level_db, abs=0.02)


@pytest.mark.parametrize(("crossover_hz", "first"), [(80.0, 50.0), (100.0, 63.0), (50.0, 31.5)])
def test_a_subwoofer_takes_what_the_crossover_leaves_it(crossover_hz, first):
    """A fourth-order Linkwitz–Riley high-pass is 6.02 dB down at its frequency: 20·log10(1 + 1)."""
    asked = programme.asked_db(MUSIC, crossover_hz=crossover_hz)
    assert NOMINAL_HZ[np.flatnonzero(np.isfinite(asked))[0]] == first
    exact = float(BANDS_HZ[programme.band_of(crossover_hz)])
    at = programme.band_of(crossover_hz)
    assert MUSIC[at] - programme.asked_db(MUSIC, crossover_hz=exact)[at] == pytest.approx(6.0206, abs=1e-4)


def test_raising_usable_output_anywhere_never_lowers_the_level():
    rng = np.random.default_rng(20261126)
    usable = rng.uniform(60.0, 120.0, (2000, 31))
    more = usable + rng.exponential(3.0, usable.shape) * (rng.random(usable.shape) < rng.random((2000, 1)))
    before, after = (programme.level_db(FULL, u) for u in (usable, more))
    raised = ((more > usable) & np.isfinite(FULL)).any(axis=1)
    assert raised.sum() > 1800
    assert (after >= before).all()
    assert (after[raised] > before[raised]).all()


@pytest.mark.parametrize("order", [2, 3, 4])
@pytest.mark.parametrize("corner_hz", [40.0, 60.0, 80.0, 120.0])
def test_a_high_passed_copy_plays_hardly_louder_than_its_original(order, corner_hz):
    """The same driver with less bass: what it does per band is the same, drive for drive; smoothing a steeper slope by
    third-octaves may only lift it a little."""
    f = grid.FREQUENCY_HZ
    original = 100.0 - 10.0 * np.log10(1.0 + (45.0 / f) ** 4)
    copy = original - 10.0 * np.log10(1.0 + (corner_hz / f) ** (2 * order))
    found = [programme.level_db(FULL, output.smoothed_db(u)[programme.POINTS]) for u in (original, copy)]
    assert found[1] <= found[0] + 0.25


def test_nothing_is_played_by_what_can_not_play_a_band_and_all_by_what_has_no_limit():
    usable = np.full((3, 31), 100.0)
    usable[0, programme.band_of(100.0)] = -np.inf
    usable[1, programme.band_of(20.0)] = -np.inf  # not asked for
    usable[2] = np.inf
    found = programme.level_db(FULL, usable)
    assert found[0] == -np.inf
    assert found[1] == pytest.approx(100.18, abs=0.02)
    assert found[2] == np.inf


def test_the_band_that_takes_most_binds_with_its_share():
    usable = np.full(31, 100.0)
    low = programme.band_of(50.0)
    usable[low] = 80.0
    found = programme.binding(FULL, usable)
    total = float(programme.level_db(FULL, usable))
    assert found.band == low
    assert float(found.share) == pytest.approx(10.0 ** ((MUSIC[low] - 80.0 + total) / 10.0))
    assert found.single
    assert programme.own_driver_db(FULL, usable) == pytest.approx(80.0 - MUSIC[low])


def test_where_all_bands_take_the_same_no_single_one_binds():
    found = programme.binding(FULL, np.where(np.isfinite(FULL), 100.0 + FULL, 100.0))
    assert float(found.share) == pytest.approx(1 / 24)
    assert not found.single
    assert programme.binding(FULL, np.full(31, np.inf)).band == -1


def test_the_amplifier_needs_room_for_the_peaks():
    """87 dB at 2.83 V, 100 W: 107 dB of sine; music of a crest of 9 dB 6 dB less (a sine's own is 3.01), and the bands
    that count hold 0.179 dB less than all of them."""
    flat = np.full(31, 87.0)
    found = float(programme.amplifier_db(FULL, flat, 100.0))
    assert found == pytest.approx(87.0 + 20.0 - 9.0 + 3.0103 + 0.179, abs=2e-3)
    assert float(programme.amplifier_db(FULL, flat, 200.0)) - found == pytest.approx(3.0103, abs=1e-4)
    assert float(programme.amplifier_db(FULL, flat, 100.0, crest_db=12.0)) == pytest.approx(found - 3.0)


def test_a_box_without_bass_asks_more_of_the_amplifier_for_the_same_level():
    assert programme.amplifier_db(FULL, np.full(31, 87.0), 100.0) > programme.amplifier_db(
        FULL, corner_db(BANDS_HZ) - 13.0, 100.0
    )
