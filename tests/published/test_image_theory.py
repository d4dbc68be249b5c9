"""Surfaces near a speaker: against closed forms and against pyroomacoustics, a library of room acoustics."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import grid, images, room
from speakerdb.acoustics.images import Surface

F = grid.FREQUENCY_HZ
C = room.SPEED_OF_SOUND_M_S
SOURCE, EAR = np.array([0.6, 1.1, 0.9]), np.array([3.1, 1.9, 1.2])
WALL = (Surface("rear wall", 0, 0.0),)
CORNER = (*WALL, Surface("side wall", 1, 0.0), Surface("floor", 2, 0.0))


def level(surfaces, reflects, source=SOURCE, ear=EAR):
    count = 2 ** len(surfaces)
    share = images.shares(np.array(reflects), len(surfaces))
    way = images.ways(source, ear, surfaces)
    return 10 * np.log10(images.seat_power(F, way, share, np.ones((count, len(F)))))


@pytest.mark.parametrize("reflects", [0.5, 0.9, 1.0])
def test_one_wall_is_its_closed_form(reflects):
    # the ear straight ahead, d before the wall: |1/r + R/(r + 2d)·e^(−j2kd)|²
    d, r = 0.8, 2.5
    found = level(WALL, reflects, np.array([d, 1.0, 1.0]), np.array([d + r, 1.0, 1.0]))
    sums = 1 / r + reflects / (r + 2 * d) * np.exp(-2j * (2 * np.pi * F / C) * d)
    assert found == pytest.approx(20 * np.log10(np.abs(sums)), abs=1e-9)


def test_a_wall_half_a_wavelength_away_there_and_back_dips_where_it_says():
    way = images.ways(SOURCE, EAR, WALL)
    f = images.first_dip_hz(way[1], way[0])
    later = np.linalg.norm(way[1]) - np.linalg.norm(way[0])
    assert f == pytest.approx(C / 2 / later)
    ahead = images.ways(np.array([0.5, 0, 0]), np.array([3.0, 0, 0]), WALL)
    assert images.first_dip_hz(ahead[1], ahead[0]) == pytest.approx(room.first_dip_hz(0.5))


@pytest.mark.parametrize("reflects", [0.8, 0.95])
def test_a_corner_is_that_of_pyroomacoustics(reflects):
    pra = pytest.importorskip("pyroomacoustics")
    # a room whose other three walls are far away and swallow all: what is left is the corner. Energy absorption 1 − R²
    names = ("west", "south", "floor", "east", "north", "ceiling")
    material = {name: pra.Material(1.0 - reflects**2 if i < 3 else 1.0) for i, name in enumerate(names)}
    made = pra.ShoeBox([40.0, 40.0, 40.0], fs=48000, materials=material, max_order=3)
    made.add_source(SOURCE)
    made.add_microphone(EAR)
    made.image_source_model()
    source = made.sources[0]
    near = (source.images < 20.0).all(axis=0)
    r = np.linalg.norm(source.images[:, near] - EAR[:, None], axis=0)
    size = source.damping[:, near].min(axis=0)
    kept = size > 1e-9
    assert kept.sum() == 8
    k = 2 * np.pi * F / C
    theirs = np.abs((size[kept, None] / r[kept, None] * np.exp(-1j * np.multiply.outer(r[kept], k))).sum(axis=0))
    assert level(CORNER, reflects) == pytest.approx(20 * np.log10(theirs), abs=0.01)


def test_power_near_surfaces_is_waterhouses_at_its_limits():
    # at a rigid surface 2, in an edge 4, in a corner 8 times the power, far away as in free field; a monopole at a
    # distance d from one: 1 + sin(2kd)/(2kd) (Waterhouse, from memory)
    f = np.array([1.0, 50.0, 200.0])
    for n, times in ((1, 2.0), (2, 4.0), (3, 8.0)):
        assert images.power_gain(f[:1], np.full(n, 1e-3), np.array(1.0))[0] == pytest.approx(times, rel=1e-6)
        assert images.power_gain(np.array([20000.0]), np.full(n, 37.3), np.array(1.0))[0] == pytest.approx(
            1.0, abs=0.01
        )
    x = 2 * (2 * np.pi * f / C) * 0.7
    assert images.power_gain(f, np.array([0.7]), np.array(0.9)) == pytest.approx(1 + 0.9 * np.sin(x) / x)


def test_modes_of_a_room_are_those_of_the_formula():
    # c/2·√Σ(n/L)² of 5 × 4 × 2.5 m by hand: 34.3, 42.9, 54.9, 68.6 twice
    found = room.modes((5.0, 4.0, 2.5), 200.0)
    assert [m.frequency_hz for m in found[:5]] == pytest.approx([34.3, 42.875, 54.907, 68.6, 68.6], abs=0.001)
    assert [m.kind for m in found[:5]] == ["axial", "axial", "tangential", "axial", "axial"]
    theirs = sorted(
        C / 2 * np.sqrt((a / 5) ** 2 + (b / 4) ** 2 + (c / 2.5) ** 2)
        for a in range(8)
        for b in range(8)
        for c in range(8)
        if sum(n > 0 for n in (a, b, c)) in {1, 2}
    )
    assert [m.frequency_hz for m in found] == pytest.approx([f for f in theirs if f <= 200.0])
