"""Made-up fields for the tests of rank sets: truths, errors of known law, and the definition written out pair by pair."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from speakerdb.statistics import ranksets

DRAWS = 400


@dataclass(frozen=True, eq=False)
class Field:
    """truth (p,), own sd (p,), lab (p,), calibration sd; values and draws are made from them."""

    truth: np.ndarray
    own: np.ndarray
    lab: np.ndarray
    calibration: float

    def measured(self, random: np.random.Generator) -> np.ndarray:
        """One round of measurements (p,)."""
        return self.truth + self.errors(random, 1)[:, 0]

    def errors(self, random: np.random.Generator, count: int) -> np.ndarray:
        """(p, count) errors, the calibration shared within each lab."""
        shared = self.calibration * random.standard_normal((int(self.lab.max()) + 1, count))
        return self.own[:, None] * random.standard_normal((len(self.own), count)) + shared[self.lab]

    def sets(self, value: np.ndarray, random: np.random.Generator) -> ranksets.RankSets:
        return ranksets.rank_sets(value[:, None] + self.errors(random, DRAWS), value, value, self.lab, 1e-6)


def near_ties(random: np.random.Generator, speakers: int = 40, labs: int = 3) -> Field:
    """Most of the field within a fraction of its errors, a few far ahead, errors that differ fivefold."""
    truth = random.normal(0.0, 0.1, speakers).round(2)
    truth[: speakers // 10] += 4.0
    own = random.uniform(0.1, 0.5, speakers)
    return Field(truth, own, random.integers(0, labs, speakers), 0.4)


def coverage(runs: int, seed: int) -> tuple[float, float]:
    """Share of runs in which every true rank lies in its simultaneous set, and of speakers in their marginal set.

    The true rank of tied speakers is any between their lowest and highest place: all of them must be covered.
    """
    random = np.random.default_rng(seed)
    together = 0
    alone: list[float] = []
    for _ in range(runs):
        field = near_ties(random)
        sets = field.sets(field.measured(random), random)
        best = 1 + (field.truth[None, :] > field.truth[:, None]).sum(axis=1)
        worst = len(best) - (field.truth[None, :] < field.truth[:, None]).sum(axis=1)
        together += bool(((sets.low <= best) & (sets.high >= worst)).all())
        alone.append(((sets.marginal_low <= best) & (sets.marginal_high >= worst)).mean())
    return together / runs, float(np.mean(alone))


def brute_force(
    draws: np.ndarray, lower: np.ndarray, upper: np.ndarray, lab: np.ndarray, step: float
) -> dict[str, np.ndarray]:
    """Rank sets by their definition, every pair in every draw."""
    count, number = draws.shape
    x = draws - draws.mean(axis=1, keepdims=True)
    noise = ranksets.noise_of(draws, lab, step)
    v, least = noise.v, noise.t
    d = np.empty((count, count))
    for j in range(count):
        for k in range(count):
            d[j, k] = np.sqrt(v[j] + v[k] + (least[j] + least[k] if lab[j] != lab[k] else 0.0))
    place = int(np.ceil(0.95 * (number + 1))) - 1
    ratio = np.abs(x[:, None, :] - x[None, :, :]) / d[:, :, None]
    c = np.sort(ratio.max(axis=(0, 1)))[place]
    own = np.sort(ratio.max(axis=1), axis=1)[:, place]
    point = np.where(np.isfinite(lower), lower, upper)
    rank = np.array([1 + (point > p).sum() for p in point])
    found: dict[str, np.ndarray] = {"rank": rank, "critical": np.array(c)}
    for name, bound in (("", np.full(count, c)), ("marginal_", own)):
        better = np.array([sum(lower[k] - upper[j] > bound[j] * d[j, k] for k in range(count)) for j in range(count)])
        worse = np.array([sum(lower[j] - upper[k] > bound[j] * d[j, k] for k in range(count)) for j in range(count)])
        found[name + "low"] = np.minimum(1 + better, rank)
        found[name + "high"] = np.maximum(count - worse, rank)
    return found
