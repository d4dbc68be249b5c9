"""The demo's raw recordings: the same whenever they are made; `prepare` makes the model's speaker of them."""

from __future__ import annotations

import numpy as np
import pytest

from seed_data import raw_recordings
from seed_data.catalogue import catalogue
from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.speaker import field_of
from speakerdb.upkeep import recordings

ANGLES = (0, 60)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    folder = raw_recordings.generate(tmp_path_factory.mktemp("raw") / "raw", ANGLES)
    return folder, recordings.prepare(folder)


def test_the_same_bytes_come_again(prepared, tmp_path):
    folder, _ = prepared
    again = raw_recordings.generate(tmp_path / "again", (0,))
    for name in ("horizontal_0.wav", "near_port.wav", "raw.toml"):
        assert (again / name).read_bytes() == (folder / name).read_bytes()


def test_nothing_has_to_be_asked_and_the_gate_ends_before_the_floor(prepared):
    _, found = prepared
    assert found.questions == ()
    assert found.choices.gate_s < raw_recordings.REFLECTIONS[0][0]
    assert found.choices.gate_s > raw_recordings.REFLECTIONS[0][0] - 0.002
    assert any("h4" in note for note in found.notes)  # the motor makes no fourth harmonic


def test_levels_are_those_of_the_model(prepared):
    """Above the overlap as gated; below within what the box solution and the model's simpler baffle differ by."""
    _, found = prepared
    design = next(d for d in catalogue() if (d.maker, d.model) == raw_recordings.MODEL)
    (field,) = field_of(design, design.settings[:1])
    for row, angle in enumerate(found.raw.angles):
        at = (field.horizontal == angle.horizontal) & (field.angle_deg == angle.angle_deg)
        if angle.angle_deg == 0.0 and not angle.horizontal:
            continue
        (level,) = field.level_db[at]
        f = found.curves.frequency_hz
        seen = np.interp(np.log(FREQUENCY_HZ), np.log(f), found.curves.level_db[row])
        error = np.abs(seen - level)
        far = (FREQUENCY_HZ > 600) & (FREQUENCY_HZ < 15000)
        assert np.median(error[far]) < 0.2
        assert error[(FREQUENCY_HZ > 40) & (FREQUENCY_HZ < 250)].max() < 2.0


def test_the_coil_loses_what_it_was_made_to_lose(prepared):
    _, found = prepared
    low, _, high = found.compression
    inside = (low.frequency_hz > 1000) & (low.frequency_hz < 5000)
    third = [1 + 0.75 * raw_recordings.THIRD * 10 ** (level / 10) for level in (0.0, 12.0)]
    expected = 12.0 - raw_recordings.LOSS_DB[2] + 20 * np.log10(third[1] / third[0])
    assert (high.level_db - low.level_db)[inside].mean() == pytest.approx(expected, abs=0.03)
