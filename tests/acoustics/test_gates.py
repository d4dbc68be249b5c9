"""From where up a gate's data count, and how little it resolves where something was merged below."""

from __future__ import annotations

import pytest

from speakerdb.acoustics import gates, grid
from speakerdb.session import Band
from tests.store.builders import info

NEAR = Band(20.0, 350.0, "near-field")
MERGED = (NEAR, Band(350.0, 20000.0, "gated", 4.4))


@pytest.mark.parametrize(
    ("keys", "low_hz", "high_hz"),
    [
        ({}, None, None),
        ({"valid_from_hz": 40.0, "valid_to_hz": 18000.0}, 40.0, 18000.0),
        ({"gate_ms": 4.0}, 500.0, None),  # 2/T
        ({"gate_ms": 4.0, "valid_from_hz": 250.0}, 500.0, None),
        ({"gate_ms": 4.0, "valid_from_hz": 600.0}, 600.0, None),
        ({"method": "gated"}, 2000.0 / 3.5, None),
        ({"method": "gated", "valid_from_hz": 300.0}, 300.0, None),
        ({"bands": MERGED, "gate_ms": 4.4}, 20.0, 20000.0),
        ({"bands": MERGED, "valid_from_hz": 30.0, "valid_to_hz": 16000.0}, 30.0, 16000.0),
        ({"bands": MERGED[1:]}, 2000.0 / 4.4, 20000.0),  # nothing is merged below it
    ],
)
def test_data_count_from_two_over_the_gate_or_from_where_something_was_merged(keys, low_hz, high_hz):
    found = gates.counted_hz(info(**keys))
    assert found == pytest.approx((low_hz, high_hz)) if None not in (low_hz, high_hz) else found == (low_hz, high_hz)


def test_all_gates_are_named_the_shortest_first():
    assert gates.gates_ms(info()) == ()
    assert gates.gates_ms(info(gate_ms=5.0)) == (5.0,)
    bands = (NEAR, Band(350.0, 2000.0, "gated", 6.0), Band(2000.0, 20000.0, "gated", 4.0))
    assert gates.gates_ms(info(bands=bands, gate_ms=6.0)) == (4.0, 6.0)
    assert gates.gates_ms(info(bands=(NEAR,), gate_ms=6.0)) == ()


def test_a_merged_gate_leaves_open_all_at_one_over_its_length_and_nothing_from_two_on():
    f = grid.FREQUENCY_HZ
    t_ms = 1000.0 / f[50]  # 1/T is a grid point, so that 2/T is one, too
    found = gates.unresolved(info(bands=(Band(20.0, f[50], "near-field"), Band(f[50], 20000.0, "gated", t_ms))))
    assert found[[49, 50, 55, 60, 65, 70, 71]] == pytest.approx([0.0, 1.0, 0.75, 0.5, 0.25, 0.0, 0.0], abs=1e-6)
    assert not gates.unresolved(info(bands=(Band(f[50], 20000.0, "gated", t_ms),))).any()
    assert not gates.unresolved(info(gate_ms=t_ms)).any()


def test_it_does_so_in_its_own_band_alone():
    bands = (NEAR, Band(350.0, 400.0, "gated", 4.0), Band(400.0, 20000.0, "anechoic"))
    there = grid.FREQUENCY_HZ[gates.unresolved(info(bands=bands)) > 0.0]
    assert there.min() >= 350.0
    assert there.max() <= 400.0


@pytest.mark.parametrize(
    ("keys", "left_out"),
    [
        ({}, False),
        ({"valid_from_hz": 200.0}, False),  # that isn't the gate's doing
        ({"gate_ms": 20.0}, False),
        ({"gate_ms": 19.0}, True),
        ({"bands": MERGED}, False),
        ({"bands": MERGED, "valid_from_hz": 120.0}, True),
        ({"bands": (NEAR, Band(350.0, 8000.0, "gated", 4.4))}, True),
        ({"bands": (Band(120.0, 350.0, "near-field"), MERGED[1])}, True),
        ({"method": "gated"}, True),
    ],
)
def test_what_leaves_out_part_of_100_hz_to_10_khz_shows_no_fine_shape(keys, left_out):
    assert gates.leaves_out_shape(info(**keys)) is left_out
