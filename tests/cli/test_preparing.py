"""`prepare`: from recordings of a known speaker to a session that is stored, and recordings that are refused."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import soundfile

from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.formats import read_session
from tests.cli.checking import check
from tests.signals import prototypes

RATE = prototypes.RATE_HZ
SECONDS = 1.5
ANGLES = (-60, 0, 60)
PASCAL_PER_UNIT = 20.0
KEYS = """reference = "sweep.wav"
calibrator = "calibrator.wav"
mic_height_m = 1.2
"""
FLOOR_S = 1.6 / prototypes.SPEED_M_S  # at 1.2 m of height and 1 m of distance


def clean(f, angle_deg):
    return prototypes.two_way(f, angle_deg, gain_db=0.0)


def recordings(noise=1e-5, level=0.2, angles=ANGLES, delay_s=0.01):
    """A speaker of 0 dB re 1 unit at full scale of the sweep, with one reflection by the floor."""
    played = prototypes.sweep(seconds=SECONDS)
    ways = [(delay_s, 1.0), (delay_s + FLOOR_S, 0.3)]
    found = {
        f"horizontal_{a}.wav": level
        * prototypes.record(lambda f, a=a: clean(f, a), ways, played, noise=noise, seed=a % 97)
        for a in angles
    }
    t = np.arange(RATE) / RATE
    rms = 20e-6 * 10 ** (94 / 20) / PASCAL_PER_UNIT
    found["calibrator.wav"] = rms * np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)
    return found, played


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    found, played = recordings()
    return prototypes.write(tmp_path_factory.mktemp("raw") / "raw", found, KEYS, played=played)


@pytest.fixture
def raw(folder, tmp_path):
    return shutil.copytree(folder, tmp_path / "raw")


def expected_db(angle):
    """0.2 units at a sweep of amplitude 1, RMS, in dB re 20 µPa at 1 m."""
    return 20 * np.log10(0.2 * PASCAL_PER_UNIT / np.sqrt(2) / 20e-6 * np.abs(clean(FREQUENCY_HZ, angle)))


def test_recordings_become_a_session_that_ingest_stores(speakerdb, raw, tmp_path):
    answer = speakerdb("prepare", raw, "--json")
    assert answer.code == 0, answer.err
    check("prepare", answer.document)
    choices = answer.document["choices"]
    assert FLOOR_S * 1000 - 1.0 < choices["gate_ms"] < FLOOR_S * 1000
    assert choices["valid_from_hz"] == pytest.approx(2000 / choices["gate_ms"], rel=1e-6)
    assert choices["pascal_per_unit"] == pytest.approx(PASCAL_PER_UNIT, rel=1e-4)
    assert answer.document["questions"] == []
    accepted = speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session", "--json")
    assert accepted.code == 0, accepted.err
    check("prepare", accepted.document)
    session = read_session(tmp_path / "session")
    assert (session.info.method, session.info.level_is) == ("gated", "spl_1m")
    (block,) = session.blocks
    for angle, level in zip(block.angle_deg, block.level_db, strict=True):
        grid = np.interp(np.log(FREQUENCY_HZ), np.log(block.frequency_hz), level)
        counts = (choices["valid_from_hz"] < FREQUENCY_HZ) & (FREQUENCY_HZ < 19000)
        assert np.abs(grid - expected_db(angle))[counts].max() < 0.4
    stored = speakerdb("ingest", tmp_path / "session", "--no-intervals", "--json")
    assert stored.document["sessions"][0]["result"] == "stored"
    assert {e["file"] for e in stored.document["sessions"][0]["ledger"] if e["read_as"] is None} == set()


def test_ingest_sends_raw_recordings_to_prepare(speakerdb, raw):
    answer = speakerdb("ingest", raw)
    assert answer.code == 1
    assert "`speakerdb prepare`" in " ".join(answer.out.split())


def test_the_same_files_and_choices_give_the_same_bytes(speakerdb, raw, tmp_path):
    speakerdb("prepare", raw)
    for name in ("one", "two"):
        assert speakerdb("prepare", raw, "--accept", "--out", tmp_path / name).code == 0

    def content(name):
        return {
            p.relative_to(tmp_path / name): p.read_bytes() for p in sorted((tmp_path / name).rglob("*")) if p.is_file()
        }

    assert content("one") == content("two")
    assert len(content("one")) == 3 + len(ANGLES)


def test_an_edited_choice_counts_and_the_older_choices_are_kept(speakerdb, raw, tmp_path):
    speakerdb("prepare", raw)
    text = (raw / "prepared.toml").read_text()
    gate = next(line for line in text.splitlines() if line.startswith("gate_ms"))
    (raw / "prepared.toml").write_text(text.replace(gate, "gate_ms = 3.5"))
    assert speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session").code == 0
    assert read_session(tmp_path / "session").info.gate_ms == 3.5
    speakerdb("prepare", raw)
    assert (raw / "prepared.toml").read_text() == text
    assert "gate_ms = 3.5" in next(p for p in raw.glob("prepared.*.toml")).read_text()


def test_changed_recordings_and_missing_facts_are_told_together_and_nothing_is_written(speakerdb, raw, tmp_path):
    speakerdb("prepare", raw)
    shutil.copy(raw / "horizontal_60.wav", raw / "horizontal_-60.wav")
    answer = speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session", "--json")
    assert answer.code == 1
    assert [i["file"] for i in answer.document["error"]["items"]] == ["horizontal_-60.wav"]
    (raw / "session.toml").write_text('maker = "Alder Fen"\n')
    speakerdb("prepare", raw)
    answer = speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session", "--json")
    asked = {i["key"] for i in answer.document["error"]["items"]}
    assert answer.code == 1
    assert {"model", "kind", "powered", "lab", "date", "sample", "setting"} <= asked
    assert not (tmp_path / "session").exists()


def test_a_reflection_that_the_heights_deny_is_asked_about_until_it_is_confirmed(speakerdb, raw, tmp_path):
    (raw / "raw.toml").write_text(KEYS.replace("1.2", "0.8"))
    answer = speakerdb("prepare", raw, "--json")
    assert [q["key"] for q in answer.document["questions"]] == ["first_reflection"]
    refused = speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session")
    assert refused.code == 1
    assert "first_reflection" in refused.err
    text = (raw / "prepared.toml").read_text()
    (raw / "prepared.toml").write_text(text.replace("confirmed = []", 'confirmed = ["first_reflection"]'))
    assert speakerdb("prepare", raw, "--accept", "--out", tmp_path / "session").code == 0


def test_all_that_is_wrong_with_recordings_is_told_at_once(speakerdb, raw):
    good, _ = soundfile.read(raw / "horizontal_0.wav")
    write = soundfile.write
    write(raw / "horizontal_10.wav", np.clip(good * 50, -1, 1), RATE)
    write(raw / "horizontal_20.wav", good, 44100)
    write(raw / "horizontal_30.wav", np.where(np.arange(len(good)) == 5, np.nan, good), RATE, subtype="FLOAT")
    write(raw / "horizontal_40.wav", np.zeros(0), RATE)
    write(raw / "horizontal_50.wav", 1e-3 * np.random.default_rng(0).normal(size=len(good)), RATE)
    write(raw / "horizontal_70.wav", good[: int(1.2 * RATE)], RATE)
    write(raw / "horizontal_200.wav", good, RATE)
    write(raw / "other.wav", good, RATE)
    (raw / "horizontal_80.wav").write_bytes(b"RIFF")
    answer = speakerdb("prepare", raw, "--json")
    assert answer.code == 1
    told = {i["file"]: i["found"] for i in answer.document["error"]["items"]}
    assert all(i["expected"] for i in answer.document["error"]["items"])
    for file, word in {
        "horizontal_10.wav": "clipped",
        "horizontal_20.wav": "44\u202f100",
        "horizontal_30.wav": "NaN",
        "horizontal_40.wav": "empty",
        "horizontal_50.wav": "no arrival",
        "horizontal_70.wav": "ends before",
        "horizontal_80.wav": "no WAV",
        "horizontal_200.wav": "200",
        "other.wav": "no angle",
    }.items():
        assert word in told.get(file, ""), (file, told)
    assert len(told) == 9
    assert not (raw / "prepared.toml").exists()


@pytest.mark.parametrize(
    ("keys", "word"),
    [
        ('reference = "sweep.wav"\ndistanc_m = 1\n', "distance_m"),
        ('reference = "gone.wav"\n', "no such file"),
        ("distance_m = 2.0\n", "seconds"),
        ('reference = "sweep.wav"\npattern = "{angel}.wav"\n', "{angel}"),
        ('reference = "sweep.wav"\nloopback_channel = 2\n', "1 channel"),
        ("reference = \n", "TOML"),
    ],
)
def test_bad_keys_are_told_in_words(speakerdb, raw, keys, word):
    (raw / "raw.toml").write_text(keys)
    answer = speakerdb("prepare", raw)
    assert answer.code == 1
    assert word in answer.err
    assert "Traceback" not in answer.err


def test_a_silent_reference_and_a_folder_without_keys_are_refused(speakerdb, raw):
    soundfile.write(raw / "sweep.wav", np.zeros(RATE), RATE)
    assert "silent reference" in speakerdb("prepare", raw).err
    (raw / "raw.toml").unlink()
    answer = speakerdb("prepare", raw, "--json")
    assert (answer.code, json.loads(answer.out)["error"]["items"][0]["file"]) == (1, "raw.toml")
    assert speakerdb("prepare", raw / "nowhere").code == 1
    assert speakerdb("prepare", raw, "--accept").code == 2


def test_reflections_that_leave_less_than_3_ms_are_refused(speakerdb, tmp_path):
    played = prototypes.sweep(seconds=SECONDS)
    ways = [(0.01, 1.0), (0.0125, 0.5)]
    found = {"horizontal_0.wav": 0.2 * prototypes.record(lambda f: clean(f, 0), ways, played)}
    folder = prototypes.write(tmp_path / "near", found, 'reference = "sweep.wav"\n', played=played)
    answer = speakerdb("prepare", folder)
    assert answer.code == 1
    assert "first reflection" in answer.err


def test_without_a_calibrator_levels_are_relative_and_noise_cuts_what_it_covers(speakerdb, tmp_path):
    found, _ = recordings(noise=0.02, angles=(0,))
    del found["calibrator.wav"]
    keys = f"f_low_hz = 10\nf_high_hz = 22000\nseconds = {SECONDS}\n"
    folder = prototypes.write(tmp_path / "loud", found, keys)
    answer = speakerdb("prepare", folder, "--json")
    assert answer.code == 0, answer.err
    assert answer.document["choices"]["pascal_per_unit"] is None
    assert max(sd for _, sd in answer.document["choices"]["noise"]) > 0.05
    assert speakerdb("prepare", folder, "--accept", tmp_path / "session").code == 0
    assert read_session(tmp_path / "session").info.level_is == "relative"


def test_a_loopback_channel_gives_all_angles_one_time(speakerdb, tmp_path):
    found, played = recordings(angles=(0, 60))
    for i, name in enumerate(("horizontal_0.wav", "horizontal_60.wav")):
        late = round(0.004 * RATE) * (i + 1)  # each recording began at another moment
        both = np.zeros((len(found[name]) + late, 2))
        both[late:, 0] = found[name]
        both[late : late + len(played), 1] = 0.7 * played
        found[name] = both
    keys = 'loopback_channel = 2\ncalibrator = "calibrator.wav"\n'
    folder = prototypes.write(tmp_path / "both", found, keys)
    assert speakerdb("prepare", folder).code == 0
    assert speakerdb("prepare", folder, "--accept", tmp_path / "session").code == 0
    session = read_session(tmp_path / "session")
    assert session.info.time_reference == "loopback"
    rows = [line.split(",") for line in (tmp_path / "session" / "responses.csv").read_text().splitlines()[1:]]
    phase = {a: np.array([float(r[4]) for r in rows if float(r[2]) == a]) for a in (0, 60)}
    apart = (phase[60] - phase[0] + 180) % 360 - 180  # the pattern is real: no delay between the two
    assert np.abs(apart).max() < 2.0
    (block,) = session.blocks
    level = np.interp(1000.0, block.frequency_hz, block.level_db[0])
    assert level == pytest.approx(np.interp(1000.0, FREQUENCY_HZ, expected_db(0)), abs=0.2)


def test_impulse_responses_of_others_are_gated_as_they_are_and_count_no_lower_than_they_are_long(speakerdb, tmp_path):
    """As text with time and sample: 20 ms of a speaker without a room."""
    h = prototypes.impulse(lambda f: clean(f, 0), 1 << 15, 0.003)[: int(0.023 * RATE)]
    folder = tmp_path / "impulses"
    folder.mkdir()
    lines = [f"{i / RATE:.9f}\t{x:.9e}" for i, x in enumerate(h)]
    (folder / "h_0.txt").write_text("time s\tvalue\n" + "\n".join(lines) + "\n")
    (folder / "raw.toml").write_text('holds = "impulses"\npattern = "{orbit}_{angle}.txt"\n')
    (folder / "session.toml").write_text(prototypes.FACTS)
    answer = speakerdb("prepare", folder, "--json")
    assert answer.code == 0, answer.err
    choices = answer.document["choices"]
    assert 18 < choices["gate_ms"] <= 20.1
    assert choices["valid_from_hz"] == pytest.approx(2000 / choices["gate_ms"], rel=1e-3)
    assert speakerdb("prepare", folder, "--accept", "--out", tmp_path / "session").code == 0
    (block,) = read_session(tmp_path / "session").blocks
    exact = 20 * np.log10(np.abs(clean(block.frequency_hz, 0)))
    inside = (block.frequency_hz > choices["valid_from_hz"]) & (block.frequency_hz < 19000)
    assert np.abs(block.level_db[0] - exact)[inside].max() < 0.4


def test_complex_spectra_of_others_become_curves_through_a_gate_of_ours(speakerdb, tmp_path):
    """A spectrum with the floor's reflection in it, as frequency, level and phase: the gate takes it out."""
    folder = tmp_path / "spectra"
    folder.mkdir()
    f = np.arange(1, 9900) * 2.0 + 10.0
    for angle in (0, 60):
        spectrum = clean(f, angle) * (1 + 0.3 * np.exp(-2j * np.pi * f * FLOOR_S))
        rows = zip(f, 20 * np.log10(np.abs(spectrum)) + 85, np.degrees(np.angle(spectrum)), strict=True)
        (folder / f"h_{angle}.txt").write_text("\n".join(f"{a:.2f} {b:.4f} {c:.4f}" for a, b, c in rows) + "\n")
    (folder / "raw.toml").write_text('holds = "spectra"\npattern = "{orbit}_{angle}.txt"\n')
    (folder / "session.toml").write_text(prototypes.FACTS)
    answer = speakerdb("prepare", folder, "--json")
    assert answer.code == 0, answer.err
    gate_ms = answer.document["choices"]["gate_ms"]
    assert answer.document["choices"]["valid_to_hz"] == pytest.approx(f[-1])
    assert FLOOR_S * 1000 - 1.2 < gate_ms < FLOOR_S * 1000
    assert speakerdb("prepare", folder, "--accept", "--out", tmp_path / "session").code == 0
    (block,) = read_session(tmp_path / "session").blocks
    inside = (block.frequency_hz > 2100 / gate_ms) & (block.frequency_hz < 17000)
    for row, angle in enumerate((0, 60)):
        exact = 85 + 20 * np.log10(np.abs(clean(block.frequency_hz, angle)))
        assert np.abs(block.level_db[row] - exact)[inside].max() < 0.4
    (folder / "h_60.txt").write_text("20 1\n30 2\n")
    assert "phase in degrees" in speakerdb("prepare", folder).err
