"""From draws to a corrected value and an interval, and draws as small integers (statistics.md §2).

The measured curve already holds one helping of noise, and noise only adds ripple: draws about it hold two. The rule
takes the surplus off on the square for ripples (h = square) and by a shift for the rest; bass limits and
beamwidths keep plain percentiles, since a dip near the threshold makes them two-branched; so does the unevenness of the vertical
beamwidth, which lobes make, not noise. What is a formula of other metrics
(smoothness of slope and ripple, preference) is worked out from their corrected draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.dictionary import METRICS, MetricDef

Floats = NDArray[np.float64]

COVERAGE = 0.95
MOST_MISSING = 0.2  # beyond this share of draws without a value no interval is given
PER_SE = 16  # draws are kept in sixteenths of the standard error
# r² of the in-room line = share of its variance that slope makes, not ripple
_SMOOTHNESS, _SLOPE, _RIPPLE = "smoothness_in_room", "slope_in_room_db_per_octave", "ripple_in_room_db"
# preference = formula on the corrected components (statistics.md §2)
_PREFERENCE_BASS = {"preference": "power_f6_hz", "preference_bass_managed": None}


@dataclass(frozen=True, eq=False)
class Uncertain:
    """Per metric (M,): corrected = mean of the corrected draws, se their standard deviation, low and high their 2.5 and
    97.5 % points, NaN where none; draws (M, B) corrected, NaN rows where none."""

    corrected: Floats
    se: Floats
    low: Floats
    high: Floats
    draws: Floats


def corrected_draws(metric: MetricDef, value: float, draws: Floats) -> Floats:
    """x* of one metric: draws (B,) about the plain value, with the surplus of noise taken off where the rule asks for it."""
    if metric.plain_interval:
        return draws
    if metric.ripple:
        square = draws**2
        return np.asarray(np.sqrt(np.maximum(0.0, square - 2.0 * (square.mean() - value**2))))
    return np.asarray(draws - 2.0 * (draws.mean() - value))


def uncertain(metrics: tuple[str, ...], value: Floats, draws: Floats) -> Uncertain:
    """Corrected values and intervals of metrics with plain values (M,) and draws (M, B)."""
    from speakerdb.acoustics.response import IDEAL_SUBWOOFER_HZ, preference, smoothness

    stars = np.full(draws.shape, np.nan)
    for j, metric_id in enumerate(metrics):
        found = _without_gaps(draws[j])
        if not np.isnan(value[j]) and found is not None and metric_id not in (_SMOOTHNESS, *_PREFERENCE_BASS):
            stars[j] = corrected_draws(METRICS[metric_id], float(value[j]), found)
    column = {m: j for j, m in enumerate(metrics)}
    if all(m in column for m in (_SMOOTHNESS, _SLOPE, _RIPPLE)) and not np.isnan(value[column[_SMOOTHNESS]]):
        stars[column[_SMOOTHNESS]] = smoothness(stars[column[_SLOPE]], stars[column[_RIPPLE]])
    for metric_id, bass in _PREFERENCE_BASS.items():
        parts = ("nbd_on_axis_db", "nbd_in_room_db", "smoothness_in_room", *([bass] if bass else []))
        if metric_id in column and all(p in column for p in parts) and not np.isnan(value[column[metric_id]]):
            axis, room, smooth = (stars[column[p]] for p in parts[:3])
            low_end: Floats | float = stars[column[bass]] if bass else IDEAL_SUBWOOFER_HZ
            stars[column[metric_id]] = preference(axis, room, low_end, smooth)
    return summarised(stars)


def _without_gaps(draws: Floats) -> Floats | None:
    """Draws with the few that have no value at the median of the rest; None where too many have none."""
    missing = np.isnan(draws)
    if missing.mean() > MOST_MISSING:
        return None
    return np.where(missing, np.median(draws[~missing]), draws) if missing.any() else draws


def summarised(stars: Floats) -> Uncertain:
    """Mean, standard deviation and percentiles of corrected draws (M, B)."""
    there = ~np.isnan(stars).any(axis=1)
    out = [np.full(len(stars), np.nan) for _ in range(4)]
    if there.any():
        kept = stars[there]
        tail = 50.0 * (1.0 - COVERAGE)
        low, high = np.percentile(kept, [tail, 100.0 - tail], axis=1)
        for array, values in zip(out, (kept.mean(axis=1), kept.std(axis=1), low, high), strict=True):
            array[there] = values
    return Uncertain(out[0], out[1], out[2], out[3], stars)


def within_nature(metric_id: str, draws: NDArray[Any]) -> NDArray[Any]:
    """Draws kept where the metric can lie: no ripple below 0, smoothness from 0 to 1. Rounding and widening may carry them out."""
    if metric_id == _SMOOTHNESS:
        return np.asarray(np.clip(draws, 0.0, 1.0))
    metric = METRICS.get(metric_id)
    return np.maximum(draws, 0.0) if metric is not None and metric.ripple else draws


def encode(u: Uncertain) -> NDArray[np.int8]:
    """Draws as int8 in sixteenths of the standard error about the corrected value (M, B); 0 where there are none.

    The rounding adds an error of 0.018 standard errors; beyond ±7.9 standard errors draws are cut.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        steps = (u.draws - u.corrected[:, None]) / u.se[:, None] * PER_SE
    return np.clip(np.nan_to_num(np.round(steps), nan=0.0), -127, 127).astype(np.int8)


def decode(corrected: Floats, se: Floats, steps: NDArray[np.int8]) -> NDArray[np.float32]:
    """The inverse of `encode`: (..., B) draws as float32; NaN rows where corrected is NaN."""
    draws = corrected[..., None] + se[..., None] * (steps.astype(np.float32) / PER_SE)
    return draws.astype(np.float32)
