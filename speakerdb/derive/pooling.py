"""Pooling: what stands for a speaker in one setting (statistics.md §4): means of metric values, not of curves.

Sessions within sample and lab first, then labs, then samples, with equal weights at each step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.dictionary import ValueTable
from speakerdb.statistics.intervals import within_nature

OPPOSITE = "sessions bound it from both sides (one at most, one at least)"
_AT_MOST, _AT_LEAST = 1, 2


@dataclass(frozen=True, eq=False)
class Pooled:
    """One row per group: values, and where the sessions disagree beyond their errors (all False without errors)."""

    values: ValueTable
    disagree: NDArray[np.bool_]


def _steps(group: NDArray[np.int64], sample: Sequence[str], lab: Sequence[str]) -> list[NDArray[np.int64]]:
    """For each step the parent of each node: sessions -> (group, sample, lab) -> (group, sample) -> group."""
    cells, cell_of = np.unique(
        np.array(
            [f"{g}\x1f{s}\x1f{laboratory}" for g, s, laboratory in zip(group, sample, lab, strict=True)], object
        ).astype(str),
        return_inverse=True,
    )
    samples, sample_of = np.unique(np.array([c.rpartition("\x1f")[0] for c in cells]), return_inverse=True)
    groups = np.array([int(s.partition("\x1f")[0]) for s in samples], np.int64)
    return [cell_of.reshape(-1), sample_of.reshape(-1), groups]


def pool_weights(group: NDArray[np.int64], sample: Sequence[str], lab: Sequence[str]) -> NDArray[np.float64]:
    """(S,) the share of each session in its group's mean when every session has the value."""
    if not len(group):
        return np.zeros(0)
    to_cell, to_sample, to_group = _steps(group, sample, lab)
    per_cell, per_sample, per_group = (np.bincount(parent) for parent in (to_cell, to_sample, to_group))
    sample_at = to_sample[to_cell]
    return 1.0 / per_cell[to_cell] / per_sample[sample_at] / per_group[to_group[sample_at]]


def pool_table(values: ValueTable, group: NDArray[np.int64], sample: Sequence[str], lab: Sequence[str]) -> Pooled:
    """Pool the rows of values by group (S,), 0 … G−1; withheld values take no part.

    A bound ("≤ 255 Hz") that the mean of the exact values lies within says nothing more and is left out; one that
    contradicts them, or stands where nothing is exact, makes the pooled value a bound of its side. A group's value is
    withheld where all of its sessions withhold it or their bounds are opposite.
    """
    groups = int(group.max()) + 1 if len(group) else 0
    if not groups:
        return Pooled(values, np.zeros(values.value.shape, bool))
    steps = _steps(group, sample, lab)
    exact = _step_means(np.where(values.censored == 0, values.value, np.nan), steps)
    at_most = (values.censored == _AT_MOST) & ~(values.value >= exact[group])
    at_least = (values.censored == _AT_LEAST) & ~(values.value <= exact[group])
    pooled = _step_means(np.where((values.censored == 0) | at_most | at_least, values.value, np.nan), steps)
    below, above = (
        _any(at_most & ~np.isnan(values.value), group, groups),
        _any(at_least & ~np.isnan(values.value), group, groups),
    )
    opposite = below & above
    pooled[opposite] = np.nan
    censored = np.where(np.isnan(pooled), 0, np.where(below, _AT_MOST, np.where(above, _AT_LEAST, 0))).astype(np.int8)
    reason: dict[tuple[int, str], str] = {}
    column = {m: j for j, m in enumerate(values.metrics)}
    for (row, metric), text in values.reason.items():
        g = int(group[row])
        if np.isnan(pooled[g, column[metric]]):
            reason.setdefault((g, metric), text)
    for g, j in zip(*np.nonzero(opposite), strict=True):
        reason[int(g), values.metrics[j]] = OPPOSITE
    return Pooled(ValueTable(values.metrics, pooled, censored, reason), np.zeros(pooled.shape, bool))


def _step_means(value: NDArray[np.float64], steps: Sequence[NDArray[np.int64]]) -> NDArray[np.float64]:
    """Means over each step's parents in turn, of what is there: (S, M) -> (G, M), NaN where nothing is."""
    for parent in steps:
        there = ~np.isnan(value)
        size = int(parent.max()) + 1
        total, count = np.zeros((size, value.shape[1])), np.zeros((size, value.shape[1]))
        np.add.at(total, parent, np.where(there, value, 0.0))
        np.add.at(count, parent, there)
        value = np.where(count > 0, total / np.maximum(count, 1.0), np.nan)
    return value


def _any(flags: NDArray[np.bool_], group: NDArray[np.int64], groups: int) -> NDArray[np.bool_]:
    found = np.zeros((groups, flags.shape[1]), bool)
    np.logical_or.at(found, group, flags)
    return found


DISAGREEMENT_P = 0.01  # of the Q test, below which sessions count as disagreeing (statistics.md §4)


@dataclass(frozen=True, eq=False)
class PooledDraws:
    """corrected, se, low, high, se_calibration (G, M), NaN where there are no draws; disagree (G, M) bool."""

    uncertain: dict[str, NDArray[np.float64]]
    disagree: NDArray[np.bool_]


def pool_draws(
    values: ValueTable,
    draws: NDArray[np.float32],
    se_calibration: NDArray[np.float64],
    group: NDArray[np.int64],
    sample: Sequence[str],
    lab: Sequence[str],
) -> PooledDraws:
    """Pool corrected draws (S, M, B) as the values are pooled, so that shared errors stay shared.

    Sessions that disagree beyond their errors (Q test on the residual draws, p < 0.01) are flagged and the standard error
    is widened by √(Q/df). se_calibration (S, M) pools by weight, which keeps it an upper bound where labs differ.
    """
    from scipy.stats import chi2

    groups, metrics = (int(group.max()) + 1 if len(group) else 0), len(values.metrics)
    columns = {
        name: np.full((groups, metrics), np.nan) for name in ("corrected", "se", "low", "high", "se_calibration")
    }
    disagree = np.zeros((groups, metrics), bool)
    for g in range(groups):
        rows = np.flatnonzero(group == g)
        weight = np.zeros((metrics, len(rows)))
        usable = ~np.isnan(draws[rows, :, 0]) & (values.censored[rows] == 0)
        usable |= ~np.isnan(draws[rows, :, 0]) & ~usable.any(axis=0)  # bounds count only where nothing is exact
        for pattern in np.unique(usable, axis=1).T:
            if pattern.any():
                kept = rows[pattern]
                share = pool_weights(np.zeros(len(kept), np.int64), [sample[r] for r in kept], [lab[r] for r in kept])
                mine = np.flatnonzero((usable == pattern[:, None]).all(axis=0))
                weight[np.ix_(mine, np.flatnonzero(pattern))] = share
        there = weight.sum(axis=1) > 0
        own = np.where(usable.T[:, :, None], draws[rows].transpose(1, 0, 2), 0.0)  # (M, s, B)
        pooled = np.einsum("ms,msb->mb", weight, own)
        widen = np.ones(metrics)
        for m in np.flatnonzero(usable.sum(axis=0) > 1):
            ratio, p = _disagreement(own[m][usable[:, m]], weight[m][usable[:, m]], chi2)
            if p < DISAGREEMENT_P:
                disagree[g, m], widen[m] = True, np.sqrt(max(ratio, 1.0))
        mean = pooled.mean(axis=1)
        pooled = mean[:, None] + (pooled - mean[:, None]) * widen[:, None]
        pooled = np.stack([within_nature(m, row) for m, row in zip(values.metrics, pooled, strict=True)])
        low, high = np.percentile(pooled, [2.5, 97.5], axis=1)
        calibration = np.sum(weight * np.nan_to_num(se_calibration[rows].T), axis=1)
        for name, column in zip(columns, (mean, pooled.std(axis=1), low, high, calibration), strict=True):
            columns[name][g, there] = column[there]
    return PooledDraws(columns, disagree)


def _disagreement(draws: NDArray[np.float64], weight: NDArray[np.float64], chi2: Any) -> tuple[float, float]:
    """(Q/df, p) of sessions' corrected values about their weighted mean, against the covariance of the same residuals of draws.

    What sessions share cancels in the residuals, so that only errors that could make them differ count.
    """
    rest = draws - weight @ draws
    residual = rest.mean(axis=1)
    covariance = np.atleast_2d(np.cov(rest))
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-6 * max(values[-1], 1e-12)
    df = int(min(kept.sum(), len(draws) - 1))
    if df < 1:
        return 1.0, 1.0
    chosen = np.argsort(values)[::-1][:df]
    q = float(np.sum((vectors[:, chosen].T @ residual) ** 2 / values[chosen]))
    return q / df, float(chi2.sf(q, df))
