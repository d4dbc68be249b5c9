"""Readings that are declared and wrong are refused, with the rival named; a confirmation covers that reading only."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import judge, read_session
from tests.formats import sessions

ANGLES = np.arange(-170, 181, 10)
TURN = np.arange(0, 181, 10)
FRAME = sessions.response_frame(seed=4, angles=ANGLES)


def write(folder: Path, name: str, line: str = "{f} {y}", frame: pl.DataFrame = FRAME, **more: object) -> Path:
    """Traces named by a template of orbit, angle and number of the file."""
    sessions.write_keys(folder)
    for i, ((orbit, angle), rows) in enumerate(frame.group_by("orbit", "angle_deg", maintain_order=True)):
        path = folder / name.format(o=str(orbit)[0], a=int(angle), r=np.radians(angle), i=i % 36 + 1, n=(i * 7919) % 71)
        points = rows.select("frequency_hz", "level_db").iter_rows()
        head = f"{more['remark']}\n" if "remark" in more else ""
        path.write_text(head + "\n".join(line.format(f=f, y=y, k=f / 1000, p=(f * 37) % 360 - 180) for f, y in points))
    return folder


def refusal(folder: Path, traces: str) -> ErrorItem:
    (folder / "folder.toml").write_text(f"[traces]\n{traces}\n")
    with pytest.raises(DataError) as caught:
        read_session(folder)
    (item,) = caught.value.items
    assert item.found
    assert item.expected
    return item


PLAIN = 'pattern = "{orbit}_{angle}.txt"'
COUNTED = 'pattern = "{angle}_{orbit}_*.txt"'
WRONG = {
    "a count taken for the angle": ("{i:03d}_{o}_{a}.txt", "{f} {y}", COUNTED, "count|order|fall|loud"),
    "a random number taken for the angle": ("{n:03d}_{o}_{a}.txt", "{f} {y}", COUNTED, "order|twice|count"),
    "a phase taken for the level": ("{o}_{a}.txt", "{f} {p}", PLAIN, "a phase in degrees"),
    "kilohertz taken for hertz": ("{o}_{a}.txt", "{k} {y}", PLAIN, "highest frequency"),
    "radians taken for degrees": ("{o}_{r:.4f}.txt", "{f} {y}", PLAIN, "radians"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_declared_reading_that_is_wrong_is_refused(tmp_path, name):
    names, line, traces, found = WRONG[name]
    item = refusal(write(tmp_path / "s", names, line), traces)
    assert re.search(found, item.found), item


def test_the_rival_that_fits_is_named(tmp_path):
    item = refusal(write(tmp_path / "s", "{i:03d}_{o}_{a}.txt"), COUNTED)
    assert 'pattern = "*_{orbit}_{angle}.txt"' in str(item.expected)
    item = refusal(write(tmp_path / "t", "{o}_{a}.txt", "{f} {p} {y}"), PLAIN)
    assert "level_column = 3" in str(item.expected)


def test_a_hyphen_taken_for_a_minus_is_refused(tmp_path):
    folder = write(tmp_path / "s", "{o}-{a}.txt", frame=sessions.response_frame(seed=4, angles=TURN))
    item = refusal(folder, 'pattern = "{orbit}{angle}.txt"')
    assert "a hyphen" in item.found
    (folder / "folder.toml").write_text('[traces]\npattern = "{orbit}-{angle}.txt"\n')
    assert min(read_session(folder).blocks[0].angle_deg) == 0.0


@pytest.mark.parametrize(
    ("remark", "key", "value"),
    [
        ("* angles grow clockwise seen from above", "angle_sense", "clockwise"),
        ("# positive angles point down", "vertical_positive", "down"),
        ("; normalized to 0 dB on axis", "level_is", "relative"),
    ],
)
def test_a_remark_in_the_files_is_heeded(tmp_path, remark, key, value):
    folder = write(tmp_path / "s", "{o}_{a}.txt", remark=remark)
    item = refusal(folder, 'pattern = "{orbit}_{angle}.txt"')
    assert item.key == key
    assert remark[2:] in item.found
    assert f'{key} = "{value}"' in item.expected


def test_a_turntable_that_turns_clockwise_says_nothing_of_angles(tmp_path):
    folder = write(tmp_path / "s", "{o}_{a}.txt", remark="* turntable: clockwise")
    (folder / "folder.toml").write_text('[traces]\npattern = "{orbit}_{angle}.txt"\n')
    assert read_session(folder).blocks


def test_a_confirmation_covers_the_reading_it_was_printed_for_and_no_other(tmp_path):
    folder = write(tmp_path / "s", "{i:03d}_{o}_{a}.txt")
    item = refusal(folder, 'pattern = "{angle}_{orbit}_*.txt"')
    (mark,) = re.findall(r'confirmed = \["([a-z_]+:[0-9a-f]{8})"\]', item.expected or "")
    toml = f'confirmed = ["{mark}"]\n[traces]\npattern = "{{angle}}_{{orbit}}_*.txt"\n'
    (folder / "folder.toml").write_text(toml)
    assert read_session(folder).warnings == ()
    other = write(tmp_path / "t", "{n:03d}_{o}_{a}.txt")
    (other / "folder.toml").write_text(toml)
    with pytest.raises(DataError):
        read_session(other)
    right = write(tmp_path / "u", "{o}_{a}.txt")
    (right / "folder.toml").write_text(f'confirmed = ["{mark}"]\n[traces]\npattern = "{{orbit}}_{{angle}}.txt"\n')
    assert any("does nothing" in w for w in read_session(right).warnings)


def blocks_of(level: np.ndarray, angles: np.ndarray) -> list[judge.CurveBlock]:
    f = sessions.FREQUENCY_HZ
    both = np.concatenate([level, level])
    flags = np.repeat([True, False], len(angles))
    return [judge.CurveBlock(f, flags, np.tile(angles.astype(float), 2), both)]


def pattern(shape) -> np.ndarray:
    """Levels of a source of a shape: gain over angle, in radians, and frequency."""
    f, angle = sessions.FREQUENCY_HZ[None, :], np.radians(ANGLES)[:, None]
    return 86.0 + 20.0 * np.log10(np.maximum(np.abs(shape(angle, f)), 1e-2))


KINDS = {
    "omnidirectional": lambda a, f: 1.0 + 0.0 * a * f,
    "dipole": lambda a, f: np.cos(a) + 0.0 * f,
    "cardioid": lambda a, f: 0.5 + 0.5 * np.cos(a) + 0.0 * f,
    "bipole": lambda a, f: np.maximum(np.abs(np.cos(a)), 0.3) + 0.0 * f,
    "piston": lambda a, f: np.sinc(np.sin(a) * f / 4000.0) * (1.0 + 0.2 * np.cos(a)) + 0.02,
}


@pytest.mark.parametrize("kind", KINDS)
def test_sources_that_there_are_speak_for_themselves(kind):
    assert judge.doubts(blocks_of(pattern(KINDS[kind]), ANGLES), "spl_1m", "other") == []


@pytest.mark.parametrize("kind", ["cardioid", "piston"])
@pytest.mark.parametrize("seed", range(5))
def test_their_curves_in_any_other_order_do_not(kind, seed):
    order = np.random.default_rng(seed).permutation(len(ANGLES))
    found = judge.doubts(blocks_of(pattern(KINDS[kind])[order], ANGLES), "spl_1m", "other")
    assert [d.question for d in found] == [judge.ANGLE]


@pytest.mark.parametrize("turned", [60, 90, 180])
def test_angles_counted_from_elsewhere_are_seen(turned):
    level = np.roll(pattern(KINDS["cardioid"]), turned // 10, axis=0)
    assert judge.doubts(blocks_of(level, ANGLES), "spl_1m", "other")


def test_a_subwoofer_is_not_asked_to_fall_off_the_axis():
    rng = np.random.default_rng(1)
    level = 90.0 + rng.normal(0, 2.0, (len(ANGLES), len(sessions.FREQUENCY_HZ)))
    assert judge.doubts(blocks_of(level, ANGLES), "spl_1m", "subwoofer") == []
