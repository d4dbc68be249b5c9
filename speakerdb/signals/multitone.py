"""Distortion of a signal of many tones that repeats: what appears between the tones, noise taken off."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray

ComplexArray = NDArray[np.complex128]

LEAST_PERIODS = 4  # that count; the first is dropped
BAND_OCT, STEP_OCT = 2 / 3, 1 / 6
_FINEST_HZ = 1000  # a tone is taken for a whole number of thousandths of a hertz
_LOUD = 0.25  # of the median of the blocks' RMS: where the signal plays
_BLOCK_S = 0.05
_TAPS, _KAISER, _PHASES = 48, 10.0, 1 << 14  # of the interpolation between samples: errors below −80 dB
_CHUNK = 1 << 15


@dataclass(frozen=True, eq=False)
class Tones:
    """Distortion in dB re the tones within 2/3 octave around frequency_hz (F,), NaN where nothing stands out of the
    noise; periods: how many counted; clock_ppm: by how much the recorder ran fast."""

    frequency_hz: FloatArray
    level_db: FloatArray
    periods: int
    clock_ppm: float


def period_of(tones_hz: Sequence[float]) -> float:
    """Seconds of the shortest stretch in which all tones have whole periods."""
    parts = [Fraction(f).limit_denominator(_FINEST_HZ) for f in tones_hz]
    common = math.lcm(*(p.denominator for p in parts))
    return float(Fraction(common, math.gcd(*(int(p * common) for p in parts))))


def playing(samples: FloatArray, rate_hz: float) -> tuple[int, int]:
    """First sample and the one after the last where the signal plays."""
    block = max(round(_BLOCK_S * rate_hz), 1)
    whole = len(samples) // block * block
    rms = np.sqrt((samples[:whole].reshape(-1, block) ** 2).mean(axis=1))
    loud = np.flatnonzero(rms > _LOUD * np.median(rms[rms > _LOUD * rms.max()])) if len(rms) else np.zeros(0, np.int64)
    return (int(loud[0]) * block, int(loud[-1] + 1) * block) if len(loud) else (0, 0)


def distortion(samples: FloatArray, rate_hz: float, tones_hz: Sequence[float], period_s: float) -> Tones | None:
    """Distortion of a recording (n,); None where fewer than LEAST_PERIODS periods are left after the first."""
    size = round(period_s * rate_hz)
    first, end = playing(samples, rate_hz)
    periods = (end - first) // size - 2  # the first is dropped, and room is left for a slow clock
    if periods < LEAST_PERIODS:
        return None
    start, tones = first + size, np.unique(np.round(np.asarray(tones_hz) * period_s).astype(np.int64))
    clock = 1.0
    for _ in range(2):
        step = period_s * rate_hz * clock / size
        clock *= 1.0 + _advance(_periods(samples, start, step, size, periods), tones)
    spectra = _periods(samples, start, period_s * rate_hz * clock / size, size, periods)
    mean = spectra.mean(axis=0)
    power = np.abs(mean) ** 2
    spread = (np.abs(spectra - mean) ** 2).sum(axis=0) / (periods - 1) / periods  # noise of the mean
    is_tone = np.zeros(power.size, bool)
    is_tone[tones[tones < power.size]] = True
    between = np.where(is_tone, 0.0, power - spread)  # not clipped: what is below 0 belongs to the mean
    between[0] = 0.0
    bins = np.arange(power.size) / period_s
    low, high = float(bins[tones[0]]), float(bins[tones[tones < power.size][-1]])
    count = int(np.log2(high / low) / STEP_OCT) + 1
    at: FloatArray = low * 2.0 ** (STEP_OCT * np.arange(count, dtype=np.float64))
    edges = [np.searchsorted(bins, at * 2.0 ** (side * BAND_OCT / 2)) for side in (-1, 1)]
    sums = [np.concatenate([[0.0], np.cumsum(x)]) for x in (between, np.where(is_tone, power, 0.0))]
    added, played = (s[edges[1]] - s[edges[0]] for s in sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10.0 * np.log10(added / played)
    return Tones(at, np.where((added > 0.0) & (played > 0.0), level, np.nan), periods, float((clock - 1.0) * 1e6))


def _periods(samples: FloatArray, start: int, step: float, size: int, periods: int) -> ComplexArray:
    """Spectra (periods, size/2 + 1) of periods whose samples lie `step` recorded samples apart."""
    at: FloatArray = start + step * np.arange(size * periods, dtype=np.float64)
    taken = samples[start : start + size * periods] if step == 1.0 else interpolated(samples, at)
    return np.asarray(np.fft.rfft(taken.reshape(periods, size), axis=1))


def _advance(spectra: ComplexArray, tones: NDArray[np.int64]) -> float:
    """By how much of a period each period comes later, from the tones' phases: the recorder's clock re the player's."""
    tones = tones[tones < spectra.shape[1]]
    turn = (spectra[1:, tones] * np.conj(spectra[:-1, tones])).sum(axis=0)
    # low tones can't turn by more than half a circle, and tell how often the high ones did
    slope, weight = 0.0, 0.0
    for tone, one in sorted(zip(tones.tolist(), turn.tolist(), strict=True)):
        expected = slope * tone
        phase = expected + float(np.angle(one * np.exp(-1j * expected)))
        loud = abs(one) * tone**2
        slope = (slope * weight + phase / tone * loud) / (weight + loud) if weight + loud > 0.0 else 0.0
        weight += loud
    return -slope / (2.0 * np.pi)


def interpolated(samples: FloatArray, at: FloatArray) -> FloatArray:
    """Samples (n,) at places between them, by a windowed sinc of 64 taps, itself taken from a table."""
    offsets = np.arange(_TAPS) - _TAPS // 2 + 1
    away = np.arange(_PHASES + 1)[:, None] / _PHASES - offsets
    taper = np.i0(_KAISER * np.sqrt(np.clip(1.0 - (2.0 * away / _TAPS) ** 2, 0.0, 1.0))) / np.i0(_KAISER)
    table = np.sinc(away) * taper
    table /= table.sum(axis=1, keepdims=True)
    found = np.zeros(at.size)
    for begin in range(0, at.size, _CHUNK):
        place = at[begin : begin + _CHUNK]
        base = np.floor(place).astype(np.int64)
        phase = np.round((place - base) * _PHASES).astype(np.int64)
        near = samples[np.clip(base[:, None] + offsets, 0, len(samples) - 1)]
        found[begin : begin + _CHUNK] = np.einsum("ij,ij->i", near, table[phase])
    return found
