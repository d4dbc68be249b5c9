"""What benches do to a comparison: the error that all values from one bench share, and how much of it is left between
two.

A speaker's value is a mean over sessions of one bench or several. Its weights on the benches make a pattern; speakers
of one pattern have the same bench error, which cancels between them (method:statistics#three-statements).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.error_model import ErrorModel

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Pattern = tuple[tuple[str, float], ...]  # (bench key, weight) sorted by key; the weights sum to 1


@dataclass(frozen=True, eq=False)
class Benches:
    """pattern (n,) codes of what benches stand behind each value; tau (n,): variance on the metric's scale that the
    error of one bench gives it (0 where the metric doesn't feel it, as directivity doesn't); loading (P, M): what each
    pattern has of M independent errors of unit variance, relative to the reference bench."""

    pattern: IntArray
    tau: FloatArray
    loading: FloatArray

    def take(self, rows: NDArray[np.int64]) -> Benches:
        return replace(self, pattern=self.pattern[rows], tau=self.tau[rows])

    def variance(self, j: IntArray | slice, k: IntArray | slice) -> FloatArray:
        """Variance that benches add to x_j − x_k, index arrays broadcast: ½(τ_j + τ_k)·|loading_j − loading_k|²; 0
        within a pattern.

        With one bench a side, unaligned and of equal τ, that is 2τ; aligned, the residual's.
        """
        found: FloatArray = 0.5 * (self.tau[j] + self.tau[k]) * self.factor[self.pattern[j], self.pattern[k]]
        return found

    @cached_property
    def factor(self) -> FloatArray:
        """(P, P) squared distances between patterns."""
        found = np.zeros((len(self.loading), len(self.loading)))
        for error in self.loading.T:  # one at a time: many patterns of many errors would not fit into memory at once
            found += (error[:, None] - error) ** 2
        return found

    @property
    def own(self) -> FloatArray:
        """(n,) variance relative to the reference bench: 0 for values measured there."""
        return np.asarray(self.tau * (self.loading**2).sum(axis=1)[self.pattern])

    @property
    def shared(self) -> FloatArray:
        """(n, M) standard deviation on the metric's scale of each value by each of M errors that are independent of one
        another."""
        return np.asarray(np.sqrt(self.tau)[:, None] * self.loading[self.pattern])


def one_bench(count: int) -> Benches:
    """All from the reference bench."""
    return Benches(np.zeros(count, np.int64), np.zeros(count), np.zeros((1, 1)))


def reference_bench(sessions: Mapping[str, int]) -> str | None:
    """The bench with the most sessions; of equal ones the first by name."""
    return min(sessions, key=lambda key: (-sessions[key], key)) if sessions else None


def loadings(patterns: Sequence[Pattern], reference: str | None, model: ErrorModel) -> tuple[FloatArray, FloatArray]:
    """(P, M) loadings relative to the reference bench, and (P,) the share of one bench's variance that a pattern has by
    itself.

    Each bench has an error of unit variance of its own, but one that is aligned to another: it has that one's, and a
    residual.
    """
    weights = [dict(p) for p in patterns]
    names = sorted({key for w in weights for key in w} | ({reference} if reference else set()))
    roots = sorted({model.bench_of(key) for key in names})
    aligned = [key for key in names if key in model.alignments]
    columns = [*roots, *(f"residual of {key}" for key in aligned)]

    def row(weight: Mapping[str, float]) -> list[float]:
        found = dict.fromkeys(columns, 0.0)
        for key, share in weight.items():
            found[model.bench_of(key)] += share
            if key in model.alignments:
                found[f"residual of {key}"] += share * model.alignments[key].residual_sd_db / model.bench_sd_db
        return [found[name] for name in columns]

    rows = np.array([row(w) for w in weights]).reshape(len(weights), len(columns))
    at = np.array(row({reference: 1.0}) if reference else [0.0] * len(columns))
    return rows - at, np.asarray((rows**2).sum(axis=1))
