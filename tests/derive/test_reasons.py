"""A withheld value says what is missing, and withholding one takes nothing else along."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.metrics import METRICS
from speakerdb.session import CurveBlock, Session
from tests.store.builders import info

F_HZ = 20 * 2 ** (np.arange(240) / 24)
ALL_ANGLES = tuple(range(-170, 181, 10))
MEASURED = [
    m
    for m, d in METRICS.items()
    if d.group != "output" and m not in {"di_sphere_mean_db", "rolloff_db_per_octave", "rolloff_12_db_per_octave"}
]


def session(horizontal=ALL_ANGLES, vertical=ALL_ANGLES, f=F_HZ, hole=None, **changes):
    """A smooth speaker whose bass falls by 12 dB per octave below 60 Hz; hole: (horizontal?, angle, from Hz, to Hz)
    unmeasured."""
    angles = np.array([*horizontal, *vertical], float)
    side = np.array([True] * len(horizontal) + [False] * len(vertical))
    fall = (1.0 - np.cos(np.radians(angles)))[:, None] * 4.0 * np.log2(1.0 + f / 700.0)
    level = 85.0 - 10 * np.log10(1 + (60.0 / f) ** 4) - fall
    if hole is not None:
        orbit, angle, low, high = hole
        rows = np.flatnonzero((side == orbit) & (angles == angle))
        level[np.ix_(rows, np.flatnonzero((f >= low) & (f <= high)))] = np.nan
    return Session("made", info(**changes), (CurveBlock(f, side, angles, level),))


def reasons(s):
    table = derive.derive([derive.to_grid(s)]).values
    assert {m for (_, m) in table.reason} == {
        m for m, v in zip(table.metrics, table.value[0], strict=True) if np.isnan(v)
    }
    return {m: r for (_, m), r in table.reason.items() if METRICS[m].group != "output"}


def values_of(s):
    table = derive.derive([derive.to_grid(s)]).values
    return dict(zip(table.metrics, table.value[0], strict=True))


def without(*angles):
    return tuple(a for a in ALL_ANGLES if a not in angles)


def test_a_complete_session_has_everything_but_a_sphere():
    assert reasons(session()) == {"di_sphere_mean_db": "no full sphere measured"}


def test_without_a_vertical_orbit_only_the_axis_and_the_horizontal_pattern_are_left():
    found = reasons(session(vertical=()))
    assert found["preference"] == "no vertical orbit"
    assert found["f6_hz"] == "no vertical orbit"
    stands = set(MEASURED) - set(found)
    assert stands == {
        "flatness_on_axis_db",
        "nbd_on_axis_db",
        "best_listening_angle_deg",
        "best_listening_angle_gain_db",
        "best_listening_angle_treble_db",
        "beamwidth_horizontal_deg",
        "beamwidth_horizontal_sd_oct",
    }


@pytest.mark.parametrize(
    ("changes", "metric", "words"),
    [
        ({"vertical": without(10, -10)}, "flatness_window_db", "vertical 10°, -10° not measured"),
        ({"horizontal": without(90)}, "preference", "horizontal 90° not measured"),
        ({"horizontal": without(-10)}, "beamwidth_horizontal_deg", "horizontal -10° not measured"),
        ({"horizontal": without(-10)}, "tone_right_deg", "horizontal -10° not measured"),
        ({"horizontal": without(30)}, "best_listening_angle_deg", "horizontal 30° not measured"),
        (
            {"horizontal": tuple(range(-60, 61, 10))},
            "di_power_mean_db",
            "horizontal 70°, -70°, 80°, -80° … not measured",
        ),
        ({"f": F_HZ[F_HZ > 350]}, "f6_hz", "measured over 361 Hz–19.4 kHz; the metric needs 290 Hz–10 kHz"),
        ({"f": F_HZ[F_HZ < 9000]}, "treble_balance_db", "the metric needs 4–16 kHz"),
        ({"hole": (True, 0, 900, 2000)}, "best_listening_angle_deg", "not measured throughout"),
        ({"horizontal": (), "hole": (False, 0, 900, 2000)}, "flatness_on_axis_db", "not measured at"),
        ({"hole": (True, 90, 900, 2000)}, "di_power_mean_db", "horizontal 90° not measured at"),
        ({"hole": (False, -20, 20, 400)}, "turning_sensitivity_db", "vertical -20° measured over"),
        ({"f": F_HZ[F_HZ > 44]}, "rolloff_db_per_octave", "not measured down to where it falls 18 dB"),
    ],
)
def test_what_is_missing_is_named(changes, metric, words):
    assert words in reasons(session(**changes))[metric]


def test_a_hole_in_one_reading_of_the_axis_is_filled_by_the_other():
    holed, whole = (values_of(session(hole=hole)) for hole in ((True, 0, 900, 2000), None))
    assert holed["flatness_on_axis_db"] == pytest.approx(whole["flatness_on_axis_db"], rel=1e-9)
    assert np.isnan(holed["best_listening_angle_deg"])  # which keeps to the horizontal reading


def test_a_pattern_that_stays_open_keeps_its_width_as_a_bound_and_loses_its_evenness():
    s = session(horizontal=(-20, -10, 0, 10, 20))
    table = derive.derive([derive.to_grid(s)]).values
    column = {m: j for j, m in enumerate(table.metrics)}
    assert table.value[0, column["beamwidth_horizontal_deg"]] == pytest.approx(40.0)
    assert table.censored[0, column["beamwidth_horizontal_deg"]] == 2
    assert "wider than the angles measured" in table.reason[0, "beamwidth_horizontal_sd_oct"]


def test_a_sound_power_far_below_the_window_everywhere_has_no_bass_limit():
    s = session()
    block = s.blocks[0]
    away = np.abs(block.angle_deg) > 30
    narrow = block.level_db - 40.0 * away[:, None]
    found = reasons(
        Session("made", s.info, (CurveBlock(block.frequency_hz, block.horizontal, block.angle_deg, narrow),))
    )
    for metric in ("power_f6_hz", "preference"):
        assert found[metric] == "its sound power lies more than 6 dB below the listening window throughout"


@pytest.mark.parametrize(
    ("changes", "words", "untouched"),
    [
        ({"kind": "subwoofer"}, "a subwoofer", set()),
        ({"level_is": "relative"}, "levels are relative", {"f6_hz", "preference", "di_power_mean_db"}),
        (
            {"smoothing_oct": 1 / 6},
            "smoothed to 1/6 octave",
            {"f6_hz", "di_power_mean_db", "slope_in_room_db_per_octave"},
        ),
        (
            {"gate_ms": 19.0},
            "gated (19 ms) and counted from 105 Hz up; shape metrics need 100 Hz–10 kHz",
            {"f6_hz", "di_power_mean_db"},
        ),
    ],
)
def test_what_holds_for_the_whole_session_is_said_first(changes, words, untouched):
    found = reasons(session(**changes))
    assert any(words in r for r in found.values())
    assert not untouched & set(found)


def test_one_session_of_a_batch_does_not_withhold_anothers_values():
    sessions = [session(), session(vertical=()), session(level_is="relative"), session()]
    together = derive.derive([derive.to_grid(s) for s in sessions]).values
    for i, s in enumerate(sessions):
        alone = derive.derive([derive.to_grid(s)]).values
        np.testing.assert_allclose(together.value[i], alone.value[0], rtol=1e-12)
        assert {m: r for (k, m), r in together.reason.items() if k == i} == {m: r for (_, m), r in alone.reason.items()}


def test_a_part_of_the_metrics_is_what_it_is_among_all():
    grids = [derive.to_grid(session()), derive.to_grid(session(vertical=()))]
    whole = derive.derive(grids).values
    for wanted in (("f6_hz",), ("tone_up_deg", "di_power_mean_db"), ("max_level_db", "sensitivity_db")):
        part = derive.derive(grids, wanted).values
        assert set(part.metrics) == set(wanted)
        for j, m in enumerate(part.metrics):
            np.testing.assert_array_equal(part.value[:, j], whole.value[:, whole.metrics.index(m)])
