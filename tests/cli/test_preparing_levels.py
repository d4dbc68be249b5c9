"""`prepare`: recordings at several levels and of many tones become tables that `ingest` takes."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.formats import read_session
from speakerdb.upkeep import recordings
from tests.signals import boxes, merged, prototypes
from tests.signals import test_harmonics as cubic

RATE = prototypes.RATE_HZ
PASCAL = 20.0
BAND = np.geomspace(300.0, 3000.0, 200)
LEVEL = 0.05
DRIVE_DB = float(np.mean(20 * np.log10(LEVEL * PASCAL / np.sqrt(2) / 20e-6 * np.abs(cubic.speaker(BAND)))))


def strained(played, gain, squeeze=1.0, seed=0):
    x = gain * played
    driven = x + cubic.A2 * x**2 + cubic.A3 * x**3
    return (
        LEVEL * squeeze * prototypes.record(cubic.speaker, [(0.01, 1.0), (0.0147, 0.3)], driven, noise=1e-5, seed=seed)
    )


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """Three levels 6 dB apart, the last compressed by 1 dB, the lowest once more at the end; and many tones."""
    folder, played = tmp_path_factory.mktemp("levels"), prototypes.sweep(seconds=2.0)
    files = {f"level_{i}.wav": (g, q) for i, (g, q) in enumerate([(1, 1.0), (2, 1.0), (4, 10 ** (-1 / 20)), (1, 1.03)])}
    found = {name: strained(played, g, q, seed=i) for i, (name, (g, q)) in enumerate(files.items())}
    found["horizontal_0.wav"] = strained(played, 0.5, seed=9)
    tones, phase = cubic.tones(20)
    found["tones.wav"] = 0.05 * cubic.multitone_signal(tones, phase, 6)
    t = np.arange(RATE) / RATE
    found["calibrator.wav"] = 20e-6 * 10 ** (94 / 20) / PASCAL * np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)
    keys = 'reference = "sweep.wav"\ncalibrator = "calibrator.wav"\n'
    for name, (gain, _) in files.items():
        keys += f'[[level]]\nfile = "{name}"\ndrive_db = {DRIVE_DB + 20 * np.log10(gain):.2f}\n'
    keys += f'[[multitone]]\nfile = "tones.wav"\ndrive_db = 96.5\ntones_hz = {tones.tolist()}\n'
    raw = prototypes.write(folder / "raw", found, keys, played=played, subtype="FLOAT")
    told = recordings.prepare(raw)
    recordings.write_choices(told)
    recordings.accept(raw, folder / "session")
    return told, read_session(folder / "session")


def test_compression_is_the_level_at_each_drive(prepared):
    told, session = prepared
    assert [round(s.drive_db - DRIVE_DB) for s in session.compression] == [0, 6, 12]
    low, _, high = session.compression
    inside = (low.frequency_hz > 1000) & (low.frequency_hz < 10000)
    cubed = [20 * np.log10(1 + 0.75 * cubic.A3 * gain**2) for gain in (1, 4)]  # x³ gives the fundamental too
    lost = (high.level_db - low.level_db)[inside] - 20 * np.log10(4) - (cubed[1] - cubed[0])
    assert lost == pytest.approx(-1.0, abs=0.02)
    assert any("coil not settled: level_3.wav" in note and "+0.26" in note for note in told.notes)
    derive.to_grid(session)  # the drives are those that the levels show


def test_harmonics_are_those_of_the_cubic_at_each_drive(prepared):
    _, session = prepared
    told = {(round(s.drive_db - DRIVE_DB), s.component): s for s in session.distortion}
    for drive, gain in ((0, 1), (12, 4)):
        for order in (2, 3):
            sweep = told[drive, f"h{order}"]
            f = sweep.frequency_hz
            inside = (f > 800) & (order * f < 15000)
            share = {2: cubic.A2 * gain / 2, 3: cubic.A3 * gain**2 / 4}[order] / (1 + 0.75 * cubic.A3 * gain**2)
            expected = 20 * np.log10(share * np.abs(cubic.speaker(order * f) / cubic.speaker(f)))
            assert np.median(np.abs(sweep.level_db - expected)[inside]) < 0.1
    total = told[12, "thd"]
    parts = [np.interp(total.frequency_hz, told[12, f"h{n}"].frequency_hz, told[12, f"h{n}"].level_db) for n in (2, 3)]
    summed = 10 * np.log10(sum(10 ** (p / 10) for p in parts))
    inside = (total.frequency_hz > 800) & (total.frequency_hz < 5000)
    assert np.median(np.abs(total.level_db - summed)[inside]) < 0.1
    assert min(s.frequency_hz[0] for s in session.distortion if s.component == "h2") > 400  # from 2/T up


def test_many_tones_become_a_sweep_of_their_own(prepared):
    _, session = prepared
    (sweep,) = (s for s in session.distortion if s.component == "multitone")
    tones, phase = cubic.tones(20)
    clean = cubic.multitone.distortion(cubic.multitone_signal(tones, phase, 6), RATE, tones, 1.0)
    known = np.isfinite(clean.level_db)
    np.testing.assert_allclose(sweep.level_db, clean.level_db[known], atol=0.2)


def test_below_the_gate_distortion_comes_from_near_the_sources(tmp_path):
    """A square before the box: at 1 m its second harmonic is square/2 times what the far field passes at 2f re f."""
    speaker = boxes.bookshelf((0.0,), element_m=0.03)
    folder = merged.write(tmp_path / "raw", speaker, "hall", square=0.02, drive_db=90.0, noise=1e-8)
    told = recordings.prepare(folder)
    sweep = next(s for s in told.distortion if s.component == "h2")
    f = sweep.frequency_hz
    known = np.isfinite(sweep.level_db)
    assert f[known].max() < told.choices.merge.meet_hz
    far = np.abs(speaker.far(2 * f)[0] / speaker.far(f)[0])
    inside = known & (f > 30) & (f < 200)
    error = np.abs(sweep.level_db - 20 * np.log10(0.01 * far))[inside]
    assert inside.sum() > 100
    assert np.median(error) < 0.1
    assert error.max() < 0.6
