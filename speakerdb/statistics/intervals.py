"""From draws in layers to an interval about the plain value, and draws as small integers (method:statistics#intervals).

The value is the plain one, as measured; draws say how far it may lie from the truth. The measured curve already holds
one helping of noise, which for some metrics only ever adds: the interval reaches that much further to the side of the
truth. It always holds the value. All here is on the metric's scale (log2 where ratios count). M metrics, B draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.metric import Metric

Floats = NDArray[np.float64]

COVERAGE = 0.95
NORMAL = 1.959964
MOST_MISSING = 0.2  # beyond this share of draws without a value no interval is given
PER_SE = 8  # draws are kept in eighths of the standard error, of which six bits hold nearly all
# Errors that pick the worst of many points carry it by k·σ with one helping and k·√2·σ with two: the first is so many
# times what the second adds. Where one point decides anyway, both are 0.
WORST = 1.0 + float(np.sqrt(2.0))
TAIL = 0.025  # of the draws on each side of an interval
HEAVY_TAILS = 10.0  # kurtosis (normal: 3) above which the standard error comes from the percentiles


@dataclass(frozen=True, eq=False)
class Layer:
    """What one layer of errors does to M metrics: centred (M, B) draws about their median, NaN rows where there are
    none; se (M,); bias (M,): the noise's first helping, 0 where it can't be told from 0; added (M,): what it adds to
    the square of a ripple, with the layers before it."""

    centred: Floats
    se: Floats
    bias: Floats
    added: Floats

    @property
    def known(self) -> NDArray[np.bool_]:
        return ~np.isnan(self.se)


def layer_of(metrics: tuple[Metric, ...], value: Floats, draws: Floats, before: Layer | None = None) -> Layer:
    """A layer from plain values (M,) and draws (M, B) about them, both on the metric's scale. before: the layer whose
    errors a statement with this one has, too; the value holds one helping of all of them."""
    draws = _without_gaps(draws)
    total = np.zeros(len(value)) if before is None else before.added.copy()
    there = ~np.isnan(draws).any(axis=1) & ~np.isnan(value)
    centred, se, bias = np.full(draws.shape, np.nan), np.full(len(value), np.nan), np.full(len(value), np.nan)
    if there.any():
        kept, t = draws[there], value[there]
        ripple = np.array([m.ripple for m in metrics], bool)[there]
        sd = kept.std(axis=1)
        added = np.maximum((kept**2).mean(axis=1) - t**2, 0.0)  # to a ripple's square by one helping
        truth = np.sqrt(np.maximum(t**2 - added, 0.0))
        worst = _times(metrics)[there]
        total[there] += np.where(ripple, added, 0.0)
        behind = np.sqrt(np.maximum(t**2 - total[there], 0.0))  # the ripple without any of them
        excess = kept.mean(axis=1) - t
        first = np.where(ripple, (t - truth) * _share_of_mean(excess, t, added), worst * excess)
        bias[there] = beyond_luck(first, sd * worst, draws.shape[1])
        narrower = np.where(ripple, ripple_spread(behind, added) / ripple_spread(t, added), 1.0)
        about = (kept - ends(kept)[1][:, None]) * narrower[:, None]
        centred[there] = np.where((worst > 1.0)[:, None], _both_sides(about), about)
        se[there] = standard_error(centred[there])
    return Layer(centred, se, bias, total)


def _both_sides(centred: Floats) -> Floats:
    """Draws (n, B) of the worst of many points, whose better side reaches as far as the worse one: points that did not
    decide hold the draws there, but the one that did may have been carried by its error as far as a draw is carried to
    the worse side."""
    low, _, high = ends(centred)
    down, up = np.where(low < 0.0, -low, 1.0), np.where(high > 0.0, high, 1.0)
    return np.where(centred > 0.0, centred * np.maximum(down / up, 1.0)[:, None], centred)


def _share_of_mean(excess: Floats, t: Floats, added: Floats) -> Floats:
    """(n,) how much of what errors add to a ripple's root mean square they add to its mean: errors of few dimensions
    also scatter it."""
    square = np.sqrt(t**2 + added) - t
    return np.asarray(np.clip(excess / np.where(square > 0.0, square, np.inf), 0.0, 1.0))


def ripple_spread(ripple: Floats, added: Floats) -> Floats:
    """(n,) relative spread of a root mean square about which errors add `added` to its square: that of |a + ε| for a of
    this length, from Var|a + ε|² = 4a²σ² + 2nσ⁴ with nσ² = added. It grows with a, so that draws about what was
    measured, which holds one helping already, spread wider than measurements do about the truth."""
    total = ripple**2 + added
    return np.asarray(np.sqrt(np.where(total > 0.0, ripple**2 + added / 2.0, 1.0) / np.where(total > 0.0, total, 1.0)))


def _times(metrics: tuple[Metric, ...]) -> Floats:
    """(M,) how many times what draws add the first helping was."""
    return np.where([m.worst for m in metrics], WORST, 1.0)


def noise_limited(metrics: tuple[Metric, ...], bias: Floats, half: Floats) -> Floats:
    """(M,) 1 where a value is mostly what errors make of it: e over half of the half width (without it). Of the worst
    of many points e is what it may have been, if many points tie; there, what the draws do show counts."""
    return np.asarray(np.abs(bias) / _times(metrics) > half / 2.0, np.float64)


def beyond_luck(first: Floats | float, sd: Floats | float, draws: int) -> Floats:
    """The noise's first helping, 0 where so many draws of such a spread can't tell it from 0."""
    return np.where(np.abs(first) < 3.0 * sd / np.sqrt(draws), 0.0, first)


def ends(draws: Floats) -> tuple[Floats, Floats, Floats]:
    """Percentiles 2.5, 50 and 97.5 of draws (..., B), linear between neighbours."""
    x = np.sort(draws, axis=-1)
    at = np.array([(1.0 - COVERAGE) / 2.0, 0.5, (1.0 + COVERAGE) / 2.0]) * (x.shape[-1] - 1)
    i = np.minimum(at.astype(int), max(x.shape[-1] - 2, 0))
    found = x[..., i] + (x[..., np.minimum(i + 1, x.shape[-1] - 1)] - x[..., i]) * (at - i)
    return found[..., 0], found[..., 1], found[..., 2]


def standard_error(centred: Floats) -> Floats:
    """(n,) standard deviation of draws (n, B); of their percentiles where a few far ones make it."""
    squares = (centred - centred.mean(axis=1)[:, None]) ** 2
    variance = squares.mean(axis=1)
    found = np.sqrt(variance)
    heavy = (squares**2).mean(axis=1) > HEAVY_TAILS * variance**2
    if heavy.any():
        low, _, high = ends(centred[heavy])
        found[heavy] = (high - low) / (2.0 * NORMAL)
    return np.asarray(found)


def _without_gaps(draws: Floats) -> Floats:
    """Draws with the few that have no value at the median of the rest; NaN rows where too many have none."""
    missing = np.isnan(draws)
    share = missing.mean(axis=1)
    if not missing.any():
        return draws
    filled = draws.copy()
    for row in np.flatnonzero((share > 0) & (share <= MOST_MISSING)):
        filled[row, missing[row]] = np.nanmedian(draws[row])
    filled[share > MOST_MISSING] = np.nan
    return filled


@dataclass(frozen=True, eq=False)
class Span:
    """An interval about a value: low, high (M,) on the scale; down, up (M,): how far its percentiles lie from the
    value, without bias."""

    low: Floats
    high: Floats
    down: Floats
    up: Floats


def span(value: Floats, centred: Floats, bias: Floats) -> Span:
    """low = t + q2.5 − max(e, 0), high = t + q97.5 + max(−e, 0); q of centred draws (M, B). A value that errors of
    ripple could make wholly reaches down to none: where e exceeds the whole half width, low is −∞ (cut to what the
    metric can be)."""
    low, high = np.full(len(value), np.nan), np.full(len(value), np.nan)
    there = ~np.isnan(centred).any(axis=1)
    if there.any():
        low[there], _, high[there] = ends(centred[there])
    down, up = np.maximum(-low, 0.0), np.maximum(high, 0.0)
    return Span(value - down - np.maximum(bias, 0.0), value + up + np.maximum(-bias, 0.0), down, up)


def within_nature(
    metrics: tuple[Metric, ...], low: Floats, high: Floats, noise: Floats, half: Floats
) -> tuple[Floats, Floats]:
    """Intervals on the scale cut to what each metric can be. noise (M,): e; half (M,): half width without it: a ripple
    whose e exceeds it may be none at all."""
    floor = np.array([m.nature[0] for m in metrics])
    ceiling = np.array([m.nature[1] for m in metrics])
    ripple = np.array([m.ripple for m in metrics], bool)
    low = np.where(ripple & (noise > half), floor, low)
    return np.maximum(low, floor), np.minimum(high, ceiling)


def encode(layer: Layer) -> NDArray[np.int8]:
    """Centred draws as int8 in eighths of the standard error (M, B); 0 where there are none.

    The rounding adds an error of 0.036 standard errors; beyond ±15.9 standard errors draws are cut.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        steps = layer.centred / layer.se[:, None] * PER_SE
    return np.clip(np.nan_to_num(np.round(steps), nan=0.0, posinf=0.0, neginf=0.0), -127, 127).astype(np.int8)


def decode(se: Floats, steps: NDArray[np.int8]) -> NDArray[np.float32]:
    """The inverse of `encode`: (..., B) centred draws as float32; NaN rows where se is NaN."""
    return np.asarray((se[..., None] / PER_SE) * steps.astype(np.float32), np.float32)
