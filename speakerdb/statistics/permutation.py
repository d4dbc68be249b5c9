"""Do groups differ, with makers that are alike within themselves? Labels are permuted within makers: whatever a maker's
speakers share stays where it is.

n rows, K groups.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Codes = NDArray[np.int64]
PERMUTATIONS = 9_999
LEAST_MAKERS = 3  # that hold both kinds
_AT_ONCE = 2_000_000  # numbers held at a time
_EQUAL = 1e-9  # sums nearer than that, relative to their size, are of the same arrangement


@dataclass(frozen=True, eq=False)
class Permuted:
    """makers (K,): how many have rows both in a group and outside; p (K,): two-sided, of a group against all others;
    makers_all: how many have rows in two groups or more; p_all: of all groups being alike. NaN where those makers are
    fewer than LEAST_MAKERS."""

    makers: Codes
    p: FloatArray
    makers_all: int
    p_all: float


def permuted(value: FloatArray, score: FloatArray, group: Codes, maker: Codes, random: np.random.Generator) -> Permuted:
    """Tests by 9,999 permutations of the group labels within makers; group and maker are codes 0, 1, …, all (n,).

    A group against all others: Σ over makers of n_in·(mean of `value` in − mean out), its absolute value. All groups:
    the sums u of `score` about its maker's mean, in each group, as uᵀV⁻u with V their covariance over all permutations.
    p = (1 + as large)/(1 + 9,999).
    """
    count = int(group.max()) + 1
    table = np.zeros((int(maker.max()) + 1, count))
    np.add.at(table, (maker, group), 1.0)
    size = table.sum(axis=1)
    both = (table > 0) & (table < size[:, None])
    makers, makers_all = both.sum(axis=0), int(both.any(axis=1).sum())
    covariance = np.zeros((count, count))
    seen, sums = np.zeros((2, count)), np.zeros((2, count, PERMUTATIONS))
    for one in np.flatnonzero(both.any(axis=1)):
        rows, kinds = np.flatnonzero(maker == one), np.flatnonzero(both[one])
        x, s = value[rows] - value[rows].mean(), score[rows] - score[rows].mean()
        held = table[one, kinds]
        member = (group[rows, None] == kinds).astype(float)
        # n_in·(mean in − mean out) is n/n_out times the sum about the maker's mean
        weighted = member * size[one] / (size[one] - held)
        covariance[np.ix_(kinds, kinds)] += (
            (s @ s) / (size[one] - 1.0) * (np.diag(held) - np.outer(held, held) / size[one])
        )
        seen[:, kinds] += x @ weighted, s @ member
        for part, order in _orders(len(rows), random):
            sums[0, kinds, part] += (x[order] @ weighted).T
            sums[1, kinds, part] += (s[order] @ member).T
    inverse = np.linalg.pinv(covariance, rcond=1e-10, hermitian=True)
    apart = np.einsum("ib,ij,jb->b", sums[1], inverse, sums[1], optimize=True)
    p_all = float(_share(seen[1] @ inverse @ seen[1], apart)) if makers_all >= LEAST_MAKERS else float("nan")
    p = np.where(makers >= LEAST_MAKERS, _share(np.abs(seen[0]), np.abs(sums[0].T)), np.nan)
    return Permuted(makers, p, makers_all, p_all)


def _orders(count: int, random: np.random.Generator) -> Iterator[tuple[slice, Codes]]:
    """All permutations of so many rows, in batches: which of the 9,999 they are, and the orders (b, count)."""
    batch = max(1, _AT_ONCE // count)
    for start in range(0, PERMUTATIONS, batch):
        part = slice(start, min(start + batch, PERMUTATIONS))
        yield part, random.permuted(np.tile(np.arange(count), (part.stop - start, 1)), axis=1)


def _share(seen: FloatArray | float, drawn: FloatArray) -> FloatArray:
    """(1 + draws at least as large as what was seen)/(1 + draws), along the first axis."""
    room = _EQUAL * np.maximum(np.abs(drawn).max(axis=0), np.finfo(float).tiny)
    return np.asarray((1.0 + (drawn >= seen - room).sum(axis=0)) / (1.0 + len(drawn)))
