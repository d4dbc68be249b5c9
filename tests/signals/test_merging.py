"""Near and far joined: the steps in closed form, and a vented box in a hall from recordings to curves."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from speakerdb.formats import read_session
from speakerdb.signals import box_solution, merging
from speakerdb.upkeep import recordings
from tests.signals import boxes, merged, prototypes

F = np.geomspace(20.0, 20000.0, 900)


def test_the_overlap_begins_at_twice_the_gates_inverse_and_may_be_too_narrow():
    assert merging.overlap_hz(0.009, 800.0) == pytest.approx((2 / 0.009, 4 / 0.009))
    assert merging.overlap_hz(0.0035, 800.0) == pytest.approx((2 / 0.0035, 800.0))
    assert merging.overlap_hz(0.0030, 800.0) is None
    needed = merging.gate_needed_s(800.0)
    assert merging.overlap_hz(needed, 800.0) is not None
    assert merging.overlap_hz(0.999 * needed, 800.0) is None


def test_an_offset_is_found_and_taken_off_and_what_differs_in_shape_is_left():
    far = -3.0 * np.log2(F / 100.0)[None] + np.array([[0.0], [-2.0], [-9.0]])
    near = far - 1.7 + 0.5 * np.sin(8 * np.log2(F / 200.0))
    found = merging.join(F, near, far, np.array([0.0, 30.0, 150.0]), (200.0, 400.0))
    assert found.offset_db == pytest.approx(1.7, abs=0.1)
    assert found.residual_db == pytest.approx(0.5 / np.sqrt(2), abs=0.05)
    share = merging.faded(F, (200.0, 400.0))
    assert (share[F <= 200.0] == 0).all()
    assert (share[F >= 400.0] == 1).all()
    assert np.interp(np.sqrt(2) * 200.0, F, share) == pytest.approx(0.5, abs=0.01)
    both = merging.merged_db(np.where(F < 400, far, np.nan), np.where(F > 200, far, np.nan), share)
    np.testing.assert_allclose(both, far)


def test_phases_that_differ_by_a_delay_alone_are_one_after_the_merge():
    def true(f):
        return np.angle(boxes.bass.vented_response(f, boxes.bass.vented(50.0, "flat")))

    far = np.degrees(true(F))[None]
    near = np.degrees(np.angle(np.exp(1j * (true(F) - 2 * np.pi * F * 0.0007))))[None]
    near[:, F > 500] = np.nan
    share = merging.faded(F, (200.0, 400.0))
    found = merging.merged_phase_deg(F, near, far, share)
    apart = np.angle(np.exp(1j * np.radians(found - far)))
    assert np.abs(apart[:, F > 20]).max() < 0.02


def test_a_sealed_box_by_the_rule_of_thumb_is_the_near_pressure_times_half_the_radius():
    """Keele 1974: p_far = p_near·a/(2r) for one cone; two ports of half its diameter count as much."""
    assert merging.rule_of_thumb(np.array([0.08]), np.array([1])) == pytest.approx([0.04])
    assert merging.rule_of_thumb(np.array([0.08, 0.04]), np.array([1, 2])) == pytest.approx([0.04, 0.04])


def test_a_box_far_finer_gives_the_same_field():
    """30 mm elements against 21 mm: what far pressure each near pressure stands for."""
    speaker = boxes.bookshelf()
    directions = box_solution.orbit_directions(np.ones(3, bool), np.array([0.0, 90.0, 180.0]))
    f = np.array([20.0, 200.0, 600.0])
    ratio = []
    for element_m in (0.03, 0.022):
        mesh = box_solution.mesh(speaker.size_m, element_m)
        solved = box_solution.solve(mesh, [speaker.cone, speaker.port], directions, f, prototypes.SPEED_M_S)
        ratio.append(solved.far @ np.linalg.inv(solved.near))
    apart = np.abs(ratio[1] - ratio[0]) / np.abs(ratio[1])
    assert apart[:2].max() < 0.01  # 0.09 dB
    assert apart.max() < 0.03


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    speaker = boxes.bookshelf((0.0, 90.0), element_m=0.03)
    folder = merged.write(tmp_path_factory.mktemp("hall") / "raw", speaker, "hall")
    return speaker, folder, recordings.prepare(folder)


def test_a_vented_box_in_a_hall_comes_out_from_20_hz_up(hall):
    speaker, _, found = hall
    assert found.questions == ()
    f, axis = found.curves.frequency_hz, [a.angle_deg for a in found.raw.angles].index(0.0)
    inside = (f >= 20.0) & (f <= 20000.0)
    error = found.curves.level_db[axis] - 20 * np.log10(np.abs(speaker.far(f)[axis]))
    error -= error[(f > 1000) & (f < 10000)].mean()
    assert np.abs(error[inside]).max() < 0.3
    merge = found.choices.merge
    assert merge.from_hz == pytest.approx(2 / found.choices.gate_s)
    assert abs(merge.offset_db) < 0.2
    assert merge.error_db == pytest.approx(np.hypot(merging.COMMON_DB, merge.residual_db))


def test_the_session_says_how_each_part_was_measured(hall, tmp_path):
    _, folder, found = hall
    recordings.write_choices(found)
    recordings.accept(folder, tmp_path / "session")
    info = read_session(tmp_path / "session").info
    assert "nan" not in (tmp_path / "session" / "responses.csv").read_text()
    assert found.timing is not None
    assert np.isfinite(found.timing.excess_s).sum() > 180
    meet = np.sqrt(2) * found.choices.merge.from_hz
    assert [(b.method, b.from_hz, b.to_hz) for b in info.bands] == [
        ("near-field", pytest.approx(18.0, abs=0.1), pytest.approx(meet, rel=1e-3)),
        ("gated", pytest.approx(meet, rel=1e-3), pytest.approx(found.choices.valid_to_hz)),
    ]
    assert info.bands[1].gate_ms == pytest.approx(found.choices.gate_s * 1000)
    (low, error), (high, nothing) = info.uncertainty["merge"]
    assert (high / low, error, nothing) == (pytest.approx(2.0, rel=1e-3), pytest.approx(0.3, abs=0.1), 0.0)


def test_a_gain_that_was_changed_between_near_and_far_is_asked_about(hall):
    """The near recordings 4 dB lower."""
    _, folder, found = hall
    text = (folder / "raw.toml").read_text()
    for role in ("cone", "port"):
        samples, rate = soundfile.read(folder / f"near_{role}.wav")
        soundfile.write(folder / f"near_{role}.wav", samples * 10 ** (-4 / 20), rate, subtype="FLOAT")
    again = recordings.prepare(folder)
    assert [q.key for q in again.questions] == ["merge_offset"]
    assert again.choices.merge.offset_db == pytest.approx(found.choices.merge.offset_db + 4.0, abs=0.01)
    (folder / "raw.toml").write_text(text.replace("height_mm", "# height_mm"))
    unknown = recordings.prepare(folder)
    assert unknown.choices.merge is None
    assert any("height_mm" in note for note in unknown.notes)
    (folder / "raw.toml").write_text(text.replace("height_mm", 'body = "other"\nheight_mm'))
    rule = recordings.prepare(folder)
    assert rule.choices.merge.error_db >= merging.RULE_DB
    (folder / "raw.toml").write_text(text)


def test_the_microphone_a_little_before_a_piston_hears_what_rayleigh_says():
    """On its axis the integral over rings agrees with the closed form."""
    piston = box_solution.Piston((0.1, 0.0, 0.0), (1.0, 0.0, 0.0), 0.06, 0.02)
    mesh = box_solution.mesh((0.4, 0.3, 0.2))
    k = 2 * np.pi * np.array([50.0, 500.0]) / prototypes.SPEED_M_S
    rings = box_solution._before_plane(piston, np.array([0.12, 0.0, 0.0]), mesh, k)
    np.testing.assert_allclose(rings, box_solution._on_its_axis(piston, k), rtol=0.02)
