"""The share of each session in what stands for a speaker (method:statistics#pooling): sessions within sample and lab,
then labs, then samples, with equal weights at each step."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def steps(group: NDArray[np.int64], sample: Sequence[str], lab: Sequence[str]) -> list[NDArray[np.int64]]:
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
    """(S,) the share of each session in its group's mean when every session has the value.

    >>> pool_weights(np.zeros(3, np.int64), ["1", "1", "2"], ["shed", "shed", "shed"]).tolist()
    [0.25, 0.25, 0.5]
    """
    if not len(group):
        return np.zeros(0)
    to_cell, to_sample, to_group = steps(group, sample, lab)
    per_cell, per_sample, per_group = (np.bincount(parent) for parent in (to_cell, to_sample, to_group))
    sample_at = to_sample[to_cell]
    return np.asarray(1.0 / per_cell[to_cell] / per_sample[sample_at] / per_group[to_group[sample_at]])
