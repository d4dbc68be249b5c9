"""The first reflection after the direct sound (the thresholds are our own judgement)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from speakerdb.session import FloatArray
from speakerdb.signals.arrival import envelope

BANDS_HZ = ((700.0, 3000.0), (2500.0, 14000.0))
SMOOTHED_S = 0.00015
EARLIEST_S, EARLIEST_PERIODS = 0.0015, 2.5  # after the arrival, in seconds and in periods of the band's lower end
LEAST_DB = -35.0  # re the direct sound
OVER_DB = 10.0  # over the median of the millisecond before
MEDIAN_S = 0.001
START_DB = -20.0  # re the reflection's peak: where it begins
EARLY_S = 0.0002  # taken off, so that a gate ends before the reflection
HEIGHTS_APART_S = 0.0003  # found and expected from heights, beyond which it is asked about


@dataclass(frozen=True)
class Reflection:
    """Seconds after the arrival: where it begins, and where it peaks."""

    start_s: float
    peak_s: float


def first_reflection(response: FloatArray, peak: int, rate_hz: float) -> Reflection | None:
    """The first reflection of a response (n,) that arrives at the sample `peak`, of two bands the one that begins
    earlier; None where none stands out. EARLY_S is not taken off yet."""
    found = [
        at for band in BANDS_HZ if (at := _within(response, peak, rate_hz, (band[0], min(band[1], 0.45 * rate_hz))))
    ]
    return min(found, key=lambda r: r.start_s) if found else None


def _within(response: FloatArray, peak: int, rate_hz: float, band_hz: tuple[float, float]) -> Reflection | None:
    level = _smoothed(envelope(response, rate_hz, band_hz), rate_hz)
    near = max(int(0.0007 * rate_hz), 1)
    start = max(peak - near, 0)
    direct = start + int(np.argmax(level[start : peak + near]))
    tail = level[direct:]
    first = int(max(EARLIEST_S, EARLIEST_PERIODS / band_hz[0]) * rate_hz)
    before = max(int(MEDIAN_S * rate_hz), 1)
    least = tail[0] * 10.0 ** (LEAST_DB / 20.0)
    is_peak = (tail[1:-1] >= tail[:-2]) & (tail[1:-1] > tail[2:]) & (tail[1:-1] > least)
    for at in np.flatnonzero(is_peak) + 1:
        if at <= first:
            continue
        if tail[at] > 10.0 ** (OVER_DB / 20.0) * float(np.median(tail[max(at - before, 0) : at])):
            late = direct - peak
            return Reflection((late + _start(tail, int(at))) / rate_hz, (late + int(at)) / rate_hz)
    return None


def _start(tail: FloatArray, at: int) -> int:
    """Walk down from a peak to START_DB below it, or to the local minimum."""
    low = tail[at] * 10.0 ** (START_DB / 20.0)
    while at > 0 and tail[at] > low and tail[at - 1] <= tail[at]:
        at -= 1
    return at


def _smoothed(level: FloatArray, rate_hz: float) -> FloatArray:
    width = max(round(SMOOTHED_S * rate_hz), 1)
    return np.asarray(np.convolve(level, np.full(width, 1.0 / width), mode="same"))


def from_heights_s(distance_m: float, height_m: float, speed_m_s: float) -> float:
    """By how much the floor's reflection comes later than the direct sound where speaker and microphone stand at one
    height: (√(d² + 4h²) − d)/c."""
    return float((np.hypot(distance_m, 2.0 * height_m) - distance_m) / speed_m_s)
