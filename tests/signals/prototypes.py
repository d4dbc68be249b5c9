"""A loudspeaker and a room that are known in closed form, and recordings of them: what `prepare` is held against."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48000
SPEED_M_S = 343.2


def sweep(rate_hz=RATE_HZ, low=10.0, high=22000.0, seconds=4.0):
    """sin(2π·f1·L·(e^(t/L) − 1)), as Farina (2000) plays it."""
    growth = seconds / np.log(high / low)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.sin(2 * np.pi * low * growth * (np.exp(t / growth) - 1.0))


def two_way(f, angle_deg=0.0, bass_hz=45.0, crossover_hz=2500.0, resonance_hz=1100.0, q=15.0, gain_db=3.0):
    """Complex pressure (F,): fourth-order Butterworth bass, LR4 crossover (an all-pass in sum), one resonance, and a
    pattern that narrows without nulls."""
    s = 1j * f / bass_hz
    bass = s**4 / ((s**2 + 0.76537 * s + 1) * (s**2 + 1.84776 * s + 1))
    s = 1j * f / crossover_hz
    both = (s**2 + np.sqrt(2) * s + 1) ** 2
    s2 = 1j * f / resonance_hz
    gain = 10 ** (gain_db / 20)
    bell = (s2**2 + gain * s2 / q + 1) / (s2**2 + s2 / q + 1)
    x = 2 * np.pi * f / SPEED_M_S * 0.03 * np.sin(np.radians(angle_deg) / 2)
    return bass * (1 + s**4) / both * bell * np.exp(-np.minimum(x**2 / 8, 2.0))


def impulse(response: Callable[[np.ndarray], np.ndarray], length: int, delay_s: float, rate_hz=RATE_HZ):
    """The response of a complex function of frequency, band-limited below half the rate, after a delay."""
    f = np.fft.rfftfreq(length, 1 / rate_hz)
    f[0] = 1e-3
    roll = np.where(f < 0.46 * rate_hz, 1.0, np.cos(np.pi / 2 * np.clip((f - 0.46 * rate_hz) / (0.04 * rate_hz), 0, 1)))
    spectrum = response(f) * roll * np.exp(-2j * np.pi * f * delay_s)
    spectrum[0] = 0
    return np.fft.irfft(spectrum, length)


def images(distance_m, height_m, room_m, source_m, absorption, order=2):
    """Delay in s and gain of each image of a shoebox room re 1 m (Allen & Berkley 1979, from memory). height_m: of the
    microphone, which stands distance_m in front of the source."""
    mic = np.array([source_m[0] + distance_m, source_m[1], height_m])
    found = []
    span = range(-order, order + 1)
    for nx in span:
        for ny in span:
            for nz in span:
                for flip in np.ndindex(2, 2, 2):
                    p = np.array(flip)
                    n = np.array([nx, ny, nz])
                    place = (1 - 2 * p) * np.array(source_m) + 2 * n * np.array(room_m)
                    bounces = np.abs(n - p) + np.abs(n)
                    if bounces.sum() > order:
                        continue
                    far = np.linalg.norm(place - mic)
                    found.append((far / SPEED_M_S, np.prod((1 - np.array(absorption)) ** (bounces / 2)) / far))
    return sorted(found)


def record(response, delays: Sequence[tuple[float, float]], played, tail_s=1.5, noise=0.0, seed=0, rate_hz=RATE_HZ):
    """The recording (n,) of a played sweep through a response by several ways (delay, gain), with white noise."""
    count = len(played) + round(tail_s * rate_hz)
    length = 1 << int(np.ceil(np.log2(count + rate_hz)))
    f = np.fft.rfftfreq(length, 1 / rate_hz)
    ways = sum(gain * np.exp(-2j * np.pi * f * delay) for delay, gain in delays)
    h = np.fft.rfft(impulse(response, length, 0.0, rate_hz)) * ways
    heard = np.fft.irfft(np.fft.rfft(played, length) * h, length)[:count]
    return heard + noise * np.random.default_rng(seed).standard_normal(count)


FACTS = """maker = "Alder Fen"
model = "Sill 5"
kind = "standmount"
powered = false
drive_voltage_v = 2.83
lab = "shed"
date = 2026-03-01
sample = "0017"
setting = "plain"
"""


def write(folder: Path, recordings: dict[str, np.ndarray], keys: str, facts: str | None = FACTS, played=None, **how):
    """A raw folder: 24-bit WAV files scaled by 0.2, the reference at half of full scale, raw.toml, session.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    if played is not None:
        soundfile.write(folder / "sweep.wav", 0.5 * played, RATE_HZ, subtype="FLOAT")
    for name, samples in recordings.items():
        soundfile.write(folder / name, samples, how.get("rate_hz", RATE_HZ), subtype=how.get("subtype", "PCM_24"))
    (folder / "raw.toml").write_text(keys, encoding="utf-8")
    if facts is not None:
        (folder / "session.toml").write_text(facts, encoding="utf-8")
    return folder
