"""A speaker near walls, against what images and hand calculation say."""

from __future__ import annotations

import numpy as np
import pytest

import speakerdb
from speakerdb.acoustics import grid, room
from speakerdb.analysis import placement
from speakerdb.analysis.placement import Place
from speakerdb.declare import AskError
from speakerdb.errors import RequestError
from tests.folders import write_session

HERE = {"room": "5x4x2.5", "at": "0.6,1.1,0.9", "seat": "3.1,1.9"}


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    folder = tmp_path_factory.mktemp("placing")
    size = {"height_mm": 380, "width_mm": 220, "depth_mm": 300, "mass_kg": 21}
    write_session(folder / "in" / "plain", **size)
    write_session(folder / "in" / "lean", **size, setting="lean", bass_hz=90.0)
    write_session(folder / "in" / "flat", model="Weir 1", bass_hz=5.0, narrowing=0.0)
    with speakerdb.open(folder / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(folder / "in")} == {"stored"}
    with speakerdb.open(folder / "speakers.duckdb") as base:
        yield base


def test_walls_reach_deeper_than_free_field_and_the_interval_holds_the_value(base):
    answer = base.place("sill-5", **HERE)
    limit = answer.f6_hz
    free = base.show("sill-5").pooled["f6_hz"]["value"]
    assert limit["low"] <= limit["value"] <= limit["high"]
    assert limit["value"] < free
    assert all(row["low_db"] <= row["high_db"] for row in answer.rows.drop_nulls().iter_rows(named=True))
    assert [g["frequency_hz"] for g in answer.gains] == [31.5, 40.0, 63.0, 100.0]


def test_dips_lie_where_half_a_wavelength_says(base):
    # straight ahead of the wall behind: c/4d; the floor: path √(D² + (h + e)²) against √(D² + (h − e)²)
    answer = base.place("sill-5", room="6x4x2.5", at="0.6,1.1,0.9", seat="3.1,1.1,0.9")
    by = {d["surface"]: d["frequency_hz"] for d in answer.dips}
    assert by["wall behind"] == pytest.approx(343.0 / 4 / 0.6, rel=1e-6)
    assert by["floor"] == pytest.approx(343.0 / 2 / (np.hypot(2.5, 1.8) - 2.5), rel=1e-6)
    assert by["side wall"] == pytest.approx(343.0 / 2 / (np.hypot(2.5, 2.2) - 2.5), rel=1e-6)


def test_modes_are_those_of_the_room(base):
    answer = base.place("sill-5", **HERE)
    assert [round(m["frequency_hz"], 1) for m in answer.modes[:5]] == [34.3, 42.9, 54.9, 68.6, 68.6]


def test_a_source_that_radiates_alike_everywhere_sums_its_images(base):
    """Without draws that move anything: the low end is the images' sum, by hand."""
    level = np.zeros((72, 199))
    where = Place((6.0, 5.0, 3.0), (0.8, 1.2, 1.0), (3.3, 2.0, 1.1), 0.4)
    found = placement.at_seat(level, where, draws=300, finer=4)
    ways = [
        np.array(where.seat_m) * s - np.array(where.at_m)
        for s in np.array(np.meshgrid(*[[1, -1]] * 3)).T.reshape(-1, 3)
    ]
    r = np.array([np.linalg.norm(w) for w in ways])
    bounces = np.array([(s < 0).sum() for s in np.array(np.meshgrid(*[[1, -1]] * 3)).T.reshape(-1, 3)])
    f = grid.FREQUENCY_HZ[:20]  # long waves: positions within 10 cm say little
    k = 2 * np.pi * f / room.SPEED_OF_SOUND_M_S
    total = np.abs((0.875 ** bounces[:, None] / r[:, None] * np.exp(-1j * np.multiply.outer(r, k))).sum(axis=0))
    mine = np.median(found.low_db, axis=0)[:20]
    theirs = 20 * np.log10(total)
    assert mine - mine[0] == pytest.approx(theirs - theirs[0], abs=0.15)


def test_the_best_distance_lies_in_the_stated_range_and_is_the_most_even(base):
    answer = base.place("sill-5", **HERE, wall_from=0.4, wall_to=0.8)
    at = [d["wall_m"] for d in answer.distances]
    assert (at[0], at[-1]) == (0.4, 0.8)
    best = min(answer.distances, key=lambda d: d["uneven_db"])
    assert answer.advice["best_m"] == best["wall_m"]
    assert answer.advice["best_uneven_db"] == best["uneven_db"]


def test_the_setting_that_suits_is_told_where_there_are_several(base):
    answer = base.place("sill-5", **HERE)
    assert {s["setting"] for s in answer.settings} == {"plain", "lean"}
    assert answer.advice["best_setting"] == min(answer.settings, key=lambda s: s["uneven_db"])["setting"]
    assert base.place("weir-1", **HERE).advice["best_setting"] is None


def test_standing_up_before_a_source_that_is_alike_everywhere_changes_nothing(base):
    answer = base.place("weir-1", **HERE)
    assert answer.standing["word"] == "the same"
    assert answer.standing["rms_db"] == pytest.approx(0.0, abs=0.02)
    assert answer.standing["angle_deg"] == pytest.approx(np.degrees(np.arctan2(0.7, np.hypot(2.5, 0.8))))


def test_another_height_of_the_ear_is_called_what_it_is():
    level = np.zeros((72, 199))
    up10, up20 = (36 + 17 + n for n in (1, 2))
    level[[up10, up20]] = np.where(grid.FREQUENCY_HZ > 3000.0, -6.0, 0.0)
    duller = placement.elsewhere(level, ("up", "up"), (0.0, 20.0))
    assert (duller.size, duller.word) == ("clearly", "duller")
    level[up20] = -8.0 * np.exp(-((np.log2(grid.FREQUENCY_HZ / 2000.0) / 0.5) ** 2))
    hollow = placement.elsewhere(level, ("up", "up"), (0.0, 20.0))
    assert hollow.word == "hollow"
    assert hollow.deepest_hz == pytest.approx(2000.0, rel=0.03)


def test_a_desk_counts_only_where_the_bounce_lies_on_it():
    room_ = ((5.0, 4.0, 2.5), (0.6, 2.0, 1.0), (1.6, 2.0, 1.2), 0.4)
    # the bounce leaves the desk at D·h/(h + e) = 1.0·0.2/(0.2 + 0.4) = 0.333 m
    assert Place(*room_, desk=(0.2, 0.34)).desk_is_hit
    assert not Place(*room_, desk=(0.2, 0.33)).desk_is_hit


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"seat": "5.5,1"}, "seat"),
        ({"seat": "0.6,1.15"}, "seat"),
        ({"at": "0.1,1.1"}, "at"),
        ({"at": "0.6,0.05"}, "at"),
        ({"at": "0.6"}, "at"),
        ({"at": "nan,1,1"}, "at"),
        ({"room": "5x4"}, "room"),
        ({"room": "0x4x2"}, "room"),
        ({"wall_to": 4.0}, "wall_to"),
        ({"wall_from": 0.05}, "wall_from"),
        ({"wall_from": 0.9, "wall_to": 0.5}, "wall_to"),
        ({"desk": 1.5}, "desk"),
    ],
)
def test_what_can_t_be_is_told_beside_its_field(base, changes, field):
    with pytest.raises(AskError) as told:
        base.place("sill-5", **{**HERE, **changes})
    assert told.value.field == field


def test_cautions_of_lifting_and_mains_stand_with_it(base):
    cautions = " ".join(base.place("sill-5", **HERE).cautions)
    assert "lift" in cautions
    assert "electrician" in cautions


def test_a_speaker_without_an_orbit_is_refused_with_what_is_missing(tmp_path):
    folder = write_session(tmp_path / "in" / "flat", model="Hedge")
    text = (folder / "responses.csv").read_text(encoding="utf-8").splitlines()
    (folder / "responses.csv").write_text("\n".join(t for t in text if ",vertical," not in t) + "\n", encoding="utf-8")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        with pytest.raises(RequestError, match="vertical"):
            base.place("hedge", **HERE)
