"""A time gate as a bench opens it, for tests of what it takes from a response: the curve's impulse response, cut."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.model.air import FREQUENCY_HZ

FloatArray = NDArray[np.float64]
RATE_HZ, LENGTH = 48000.0, 2**16
BEFORE_MS = 1.5  # half a Hann window before the arrival; another over the last quarter of the gate
FALL_DB = 24.0  # per octave below 20 Hz, where the model ends


def gated(level_db: FloatArray, gate_ms: float) -> FloatArray:
    """Curves (..., F) at the model's frequencies as they come out of a gate of this length: of minimum phase, like the
    drivers and boxes that they are made of."""
    spectrum = np.fft.rfft(_impulse(level_db) * _window(gate_ms), axis=-1)
    linear = np.fft.rfftfreq(LENGTH, 1.0 / RATE_HZ)
    level = 20.0 * np.log10(np.maximum(np.abs(spectrum), 1e-12))
    flat = level.reshape(-1, linear.size)
    found = np.stack([np.interp(FREQUENCY_HZ, linear, row) for row in flat])
    return np.asarray(found.reshape(level_db.shape))


def merged(level_db: FloatArray, gate_ms: float, from_hz: float) -> FloatArray:
    """The same with all below from_hz as it is: measured near by, where the room says nothing."""
    return np.asarray(np.where(from_hz > FREQUENCY_HZ, level_db, gated(level_db, gate_ms)))


def _impulse(level_db: FloatArray) -> FloatArray:
    """(..., N), the arrival at sample 0, what comes before it at the end."""
    linear = np.fft.rfftfreq(LENGTH, 1.0 / RATE_HZ)
    octaves = np.log2(np.maximum(linear, 1.0))
    flat = level_db.reshape(-1, FREQUENCY_HZ.size)
    level = np.stack([np.interp(octaves, np.log2(FREQUENCY_HZ), row) for row in flat])
    level -= FALL_DB * np.maximum(np.log2(FREQUENCY_HZ[0]) - octaves, 0.0)
    log = level * (np.log(10.0) / 20.0)
    cepstrum = np.fft.irfft(log, LENGTH, axis=-1)
    fold = np.zeros(LENGTH)
    fold[[0, LENGTH // 2]] = 1.0
    fold[1 : LENGTH // 2] = 2.0
    found = np.fft.irfft(np.exp(np.fft.rfft(cepstrum * fold, axis=-1)), LENGTH, axis=-1)
    return np.asarray(found.reshape(*level_db.shape[:-1], LENGTH))


def _window(gate_ms: float) -> FloatArray:
    after = np.arange(LENGTH) / RATE_HZ * 1000.0  # ms
    before = LENGTH / RATE_HZ * 1000.0 - after
    fall = np.clip((after - 0.75 * gate_ms) / (0.25 * gate_ms), 0.0, 1.0)
    rise = np.clip(before / BEFORE_MS, 0.0, 1.0)
    late = 0.5 + 0.5 * np.cos(np.pi * fall)
    early = 0.5 + 0.5 * np.cos(np.pi * rise)
    return np.asarray(np.maximum(late, early))
