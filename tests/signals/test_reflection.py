"""The first reflection in rooms where it is known, and what a gate before it leaves."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.signals import gating, reflection
from speakerdb.signals.arrival import arrival
from tests.signals import prototypes, rooms

RATE = prototypes.RATE_HZ


def level_db(response, at, gate_s, bins):
    part, lead = gating.gated(response, at, gate_s, RATE)
    return 20 * np.log10(np.abs(gating.spectrum(part, lead, RATE, bins)))


@pytest.mark.parametrize("number", range(12))
def test_a_gate_never_ends_after_the_first_reflection_and_counts_from_twice_its_inverse(number):
    room = rooms.room(number, seed=11)
    response, free = rooms.response(room, 1 << 15, gain_db=0.0)
    at, _ = arrival(response, RATE)
    found = reflection.first_reflection(response, at, RATE)
    assert room.first_s - 0.0012 < found.start_s <= room.first_s
    gate_s = found.start_s - reflection.EARLY_S
    bins = gating.bins(RATE, gating.COUNTS_FROM / gate_s, 20000.0)
    error = level_db(response, at, gate_s, bins) - level_db(free, at, 0.3, bins)
    assert np.abs(error).max() < 0.4


def test_nothing_is_found_where_there_is_no_reflection():
    response = prototypes.impulse(prototypes.two_way, 1 << 15, 0.01)
    assert reflection.first_reflection(response, arrival(response, RATE)[0], RATE) is None


def test_an_image_source_simulation_of_others_has_its_floor_found():
    """pyroomacoustics' shoebox, whose floor lies nearest: the found reflection peaks where its geometry says."""
    pra = pytest.importorskip("pyroomacoustics")
    room = pra.ShoeBox([7.0, 6.0, 3.6], fs=RATE, materials=pra.Material(0.3), max_order=3)
    room.add_source([3.0, 3.0, 1.1])
    room.add_microphone([4.0, 3.0, 1.1])
    room.compute_rir()
    speaker = prototypes.impulse(prototypes.two_way, 1 << 15, 0.0)
    response = np.convolve(room.rir[0][0], speaker)[: 1 << 15]
    at, _ = arrival(response, RATE)
    found = reflection.first_reflection(response, at, RATE)
    floor_s = reflection.from_heights_s(1.0, 1.1, pra.constants.get("c"))
    assert found.peak_s == pytest.approx(floor_s, abs=reflection.HEIGHTS_APART_S)
    assert found.start_s <= floor_s


def test_the_floor_by_heights():
    """1.2 m high, 1 m apart: (√(1 + 5.76) − 1) m longer."""
    assert reflection.from_heights_s(1.0, 1.2, 343.2) == pytest.approx(1.6 / 343.2)
