"""Contrasts: which sessions of two speakers to set against each other, so that what both share cancels
(method:statistics#comparison).

A contrast is a weighted sum of sessions' values, + for the first speaker's, − for the second's. Errors with the same
key (the level of a run, the error of a bench, what a sample differs by) are the same in every session that has it, so
they add or cancel as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np

from speakerdb.statistics.weights import pool_weights

What = Literal["one run", "one lab", "all"]
Key = tuple[str, str]  # the part of the error and what shares it
Loads = Mapping[Key, tuple[float, float]]  # error -> (weight, standard deviation)
_CLEARLY_LESS = (
    1.0 - 1e-6
)  # a narrower choice of sessions must have less variance than all of them by more than rounding


@dataclass(frozen=True)
class Measured:
    """One session's exact value of one metric, with what its errors are shared by.

    x: the value on the metric's scale; own, level, bench, sample: standard deviations there of what the session has to
    itself, of its run's level as far as the metric feels it, of its bench and of its sample. The keys run, bench and
    sample say with whom; bench_loads: what the bench has of independent errors of unit variance (one, but for a bench
    aligned to another). other: (x, sd, share) of the second branch of a value that is one of two.
    """

    speaker: str
    lab: str
    bench: str
    sample: str
    run: str
    session: str
    x: float
    own: float
    level: float = 0.0
    bench_sd: float = 0.0
    sample_sd: float = 0.0
    bench_loads: tuple[tuple[str, float], ...] = ()
    other: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Chosen:
    """Sessions of one speaker that stand for it in a contrast, and the pooled value of them."""

    sessions: tuple[Measured, ...]

    @cached_property
    def weights(self) -> tuple[float, ...]:
        """The share of each session in the mean."""
        return _weights(tuple(m.sample for m in self.sessions), tuple(m.lab for m in self.sessions))

    @cached_property
    def x(self) -> float:
        """The weighted mean on the metric's scale."""
        return sum(w * m.x for w, m in zip(self.weights, self.sessions, strict=True))

    @property
    def own_variance(self) -> float:
        """What the sessions have to themselves, of the mean."""
        return sum((w * m.own) ** 2 for w, m in zip(self.weights, self.sessions, strict=True))

    @property
    def other(self) -> tuple[float, float, float] | None:
        """(x, sd, share) of the second branch of a value that is one of two: of a single session only."""
        return self.sessions[0].other if len(self.sessions) == 1 else None

    @cached_property
    def loads(self) -> Loads:
        """What the mean has of each error that is shared with others or its own, for a statement about the units
        measured."""
        found: dict[Key, tuple[float, float]] = {}
        for w, m in zip(self.weights, self.sessions, strict=True):
            _add(found, ("session", m.session), w, m.own)
            _add(found, ("run", m.run), w, m.level)
            for key, load in m.bench_loads or ((m.bench, 1.0),):
                _add(found, ("bench", key), w * load, m.bench_sd)
        return found

    @cached_property
    def unit_loads(self) -> Loads:
        """What is added for a statement about another unit: what the measured samples differ by, and what the new one
        does."""
        found: dict[Key, tuple[float, float]] = {}
        for w, m in zip(self.weights, self.sessions, strict=True):
            _add(found, ("sample", m.sample), w, m.sample_sd)
            _add(found, ("new unit", m.speaker), -w, m.sample_sd)
        return found


@lru_cache(4096)
def _weights(sample: tuple[str, ...], lab: tuple[str, ...]) -> tuple[float, ...]:
    return tuple(pool_weights(np.zeros(len(sample), np.int64), sample, lab).tolist())


def _add(loads: dict[Key, tuple[float, float]], key: Key, weight: float, sd: float) -> None:
    """One more session with an error: weights add, standard deviations are averaged in squares."""
    if sd > 0:
        before, size = loads.get(key, (0.0, sd))
        share = abs(weight) / (abs(before) + abs(weight))
        loads[key] = (before + weight, math.sqrt((1 - share) * size**2 + share * sd**2))


def difference_loads(a: Loads, b: Loads) -> dict[Key, float]:
    """What a − b has of each error, in standard deviations: of an error that both have, the difference of the weights
    times the mean size.

    >>> difference_loads({("run", "r"): (1.0, 0.3), ("session", "1"): (1.0, 0.2)}, {("run", "r"): (1.0, 0.3)})
    {('run', 'r'): 0.0, ('session', '1'): 0.2}
    """
    found = {}
    for key in {**a, **b}:
        (wa, sa), (wb, sb) = a.get(key, (0.0, 0.0)), b.get(key, (0.0, 0.0))
        size = math.sqrt(0.5 * (sa**2 + sb**2)) if key in a and key in b else max(sa, sb)
        found[key] = (wa - wb) * size
    return found


def variance(loads: Mapping[Key, float]) -> float:
    """Variance of a weighted sum of independent errors."""
    return float(sum(v**2 for v in loads.values()))


def covariance(a: Mapping[Key, float], b: Mapping[Key, float]) -> float:
    """Covariance of two weighted sums of the same independent errors."""
    return float(sum(v * b[key] for key, v in a.items() if key in b))


@dataclass(frozen=True, eq=False)
class Contrast:
    """Two speakers' sessions set against each other. what: of one run, of one lab (bench), or all; key: which run or
    bench, '' for all. loads: what the difference has of each error; variance: of the difference."""

    what: What
    key: str
    a: Chosen
    b: Chosen
    loads: Mapping[Key, float] = field(repr=False)

    @cached_property
    def variance(self) -> float:
        return variance(self.loads)

    @property
    def difference(self) -> float:
        """a − b on the metric's scale."""
        return self.a.x - self.b.x


def contrast(
    a: Sequence[Measured], b: Sequence[Measured], what: What = "all", key: str = "", *, another_unit: bool = False
) -> Contrast:
    """These sessions of two speakers (or of one in two settings) set against each other."""
    sides = Chosen(tuple(a)), Chosen(tuple(b))
    loads = difference_loads(sides[0].loads, sides[1].loads)
    if another_unit:
        loads |= difference_loads(sides[0].unit_loads, sides[1].unit_loads)
    return Contrast(what, key, *sides, loads)


def narrower(a: Sequence[Measured], b: Sequence[Measured], *, another_unit: bool = False) -> list[Contrast]:
    """The contrasts of sessions of one run (on one bench), and of one bench, that both speakers have; those of one run
    first.

    A value that is one of two stands for a speaker only where its session is the only one: two of them can't be
    averaged here.
    """
    found = []
    keys: tuple[tuple[What, tuple[str, ...]], ...] = (("one run", ("bench", "run")), ("one lab", ("bench",)))
    for what, names in keys:
        mine, theirs = _by(a, names), _by(b, names)
        for key in sorted(mine.keys() & theirs.keys()):
            if all(len(s) == 1 or not any(m.other for m in s) for s in (mine[key], theirs[key])):
                found.append(contrast(mine[key], theirs[key], what, key[-1], another_unit=another_unit))
    return found


def _by(sessions: Iterable[Measured], names: Sequence[str]) -> dict[tuple[str, ...], list[Measured]]:
    groups: dict[tuple[str, ...], list[Measured]] = {}
    for m in sessions:
        groups.setdefault(tuple(getattr(m, name) for name in names), []).append(m)
    return groups


def best(
    a: Sequence[Measured], b: Sequence[Measured], *, another_unit: bool = False, of_all: float | None = None
) -> Contrast:
    """The contrast with the smallest variance; all sessions where no choice of them has less.

    of_all: the variance of all as ranks have it, where that is known. Ranks take the level of a run as each speaker's
    own, so that sessions of one run, where they are all there is, still have less than all.
    """
    every = contrast(a, b, another_unit=another_unit)
    least = _with_runs_apart(every)
    if of_all is not None:
        least = min(of_all, least)
    found = min(narrower(a, b, another_unit=another_unit), key=lambda c: c.variance, default=every)
    return found if found.variance < least * _CLEARLY_LESS else every


def _with_runs_apart(every: Contrast) -> float:
    """The variance of a contrast if no run were common to both speakers."""
    runs = [{key: load for key, load in side.loads.items() if key[0] == "run"} for side in (every.a, every.b)]
    common = variance(difference_loads(runs[0], runs[1]))
    return every.variance - common + sum(variance(difference_loads(side, {})) for side in runs)


def widened(sessions: Sequence[Measured], of_all: float) -> list[Measured]:
    """Sessions whose own errors are larger by one factor, so that the mean of all has the variance of_all: what is
    known of them where they disagree beyond the errors stated."""
    every = Chosen(tuple(sessions))
    level = variance({key: w * sd for key, (w, sd) in every.loads.items() if key[0] == "run"})
    if every.own_variance <= 0.0:
        return list(sessions)
    factor = math.sqrt(max(of_all - level, every.own_variance) / every.own_variance)
    return [replace(m, own=factor * m.own) for m in sessions]
