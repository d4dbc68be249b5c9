"""Made-up fields for the tests of places: truths, errors of known law drawn here, and how often places hold the true
one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from speakerdb.statistics.benches import Benches
from speakerdb.statistics.intervals import standard_error
from speakerdb.statistics.jointsets import critical_value
from speakerdb.statistics.luck import PODIUM, ranking
from speakerdb.statistics.places import Place, Places, Scores, exact, place_of, places, scale

DRAWS = 400
Errors = Callable[[int], np.ndarray]  # number of draws -> (p, draws)
# loadings relative to bench A of what was measured on A, on B, and on both
TWO_BENCHES = np.array([[0.0, 0.0], [-1.0, 1.0], [-0.5, 0.5]])


@dataclass(frozen=True, eq=False)
class Field:
    """One round of measurements: truth (p,), all different; what was measured, and (p, DRAWS) draws of its errors."""

    truth: np.ndarray
    scores: Scores
    draws: np.ndarray

    @cached_property
    def place(self) -> np.ndarray:
        """(p,) true places, 1 the best."""
        return 1 + (self.truth[None, :] > self.truth[:, None]).sum(axis=1)

    def joint(self) -> float:
        return critical_value(self.scores, self.draws)

    def all_differences_within(self, critical: float) -> bool:
        """Whether every difference of two exact values lies within critical·d of the true one: what `critical_value`
        promises."""
        rows = np.flatnonzero(~self.scores.branched)
        error = (self.scores.x - self.truth)[rows]
        d = scale(self.scores, rows[:, None], rows[None, :])
        return bool((np.abs(error[:, None] - error[None, :]) <= critical * d).all())

    def held(self, found: Places) -> np.ndarray:
        """(p,) whether the places hold the true one."""
        return (found.low <= self.place) & (self.place <= found.high)

    def holds(self, row: int, found: Place) -> bool:
        """Whether the places of one row hold the true one."""
        return found.low <= self.place[row] <= found.high


def measure(random: np.random.Generator, truth: np.ndarray, errors: Errors) -> Field:
    """One error makes the value, others say how large errors are. Equals are put in some order, 1e-9 apart."""
    truth = truth + 1e-9 * random.permutation(len(truth))
    draws = errors(DRAWS)
    se = standard_error(draws - np.median(draws, axis=1, keepdims=True))
    return Field(truth, exact(truth + errors(1)[:, 0], se**2), draws)


def normal(random: np.random.Generator, sd: np.ndarray) -> Errors:
    return lambda count: sd[:, None] * random.standard_normal((len(sd), count))


def _sd(random: np.random.Generator, count: int) -> np.ndarray:
    """Errors that differ about twofold."""
    return random.uniform(0.7, 1.4, count)


def equals(random: np.random.Generator, count: int = 300) -> Field:
    return measure(random, np.zeros(count), normal(random, np.ones(count)))


def clusters(random: np.random.Generator, apart: float, each: int = 100) -> Field:
    """Three clusters of equals."""
    return measure(random, np.repeat([0.0, apart, 2 * apart], each), normal(random, _sd(random, 3 * each)))


def near_ties(random: np.random.Generator, count: int = 40) -> Field:
    """Most within a fraction of their errors, a few far ahead; errors that differ fivefold."""
    truth = random.normal(0.0, 0.1, count).round(2)
    truth[: count // 10] += 4.0
    return measure(random, truth, normal(random, random.uniform(0.1, 0.5, count)))


def spread(random: np.random.Generator, count: int, wide: float) -> Field:
    """An ordinary field, `wide` times as wide as its errors."""
    return measure(random, random.normal(0.0, wide, count), normal(random, _sd(random, count)))


def heavy_tails(random: np.random.Generator, count: int = 100, wide: float = 1.0) -> Field:
    """Errors of Student's law at 5 degrees of freedom."""
    sd = _sd(random, count)
    return measure(random, random.normal(0.0, wide, count), lambda n: sd[:, None] * random.standard_t(5, (count, n)))


def outliers(random: np.random.Generator, count: int = 100) -> Field:
    """Equals of which each in ten has an error eight times as large now and then (4 %), to one side."""
    rare = random.random(count) < 0.1

    def errors(n: int) -> np.ndarray:
        far = rare[:, None] & (random.random((count, n)) < 0.04)
        return random.standard_normal((count, n)) + 8.0 * far

    return measure(random, np.zeros(count), errors)


def two_benches(random: np.random.Generator, count: int, wide: float, tau: float) -> Field:
    """A third was measured on bench A, a third on B, a third on both; each bench has an error of variance `tau` that
    all its values share."""
    field = measure(
        random, random.normal(0.0, wide, count) if wide else np.zeros(count), normal(random, _sd(random, count))
    )
    benches = Benches(np.arange(count) % 3, np.full(count, tau), TWO_BENCHES)
    x = field.scores.x + benches.shared @ random.standard_normal(2)
    return replace(field, scores=exact(x, field.scores.v, 0.0, benches))


def near_misses(random: np.random.Generator, count: int = 100, wide: float = 3.0) -> Field:
    """A fifth have a value that a near miss moves by far, with a probability of its own."""
    field = measure(random, random.normal(0.0, wide, count), normal(random, _sd(random, count)))
    s = field.scores
    two, jump, share = random.random(count) < 0.2, random.normal(0.0, 8.0, count), random.uniform(0.05, 0.5, count)
    missed = two & (random.random(count) < share)
    x = np.where(missed, s.x + jump, s.x)
    other = (
        np.where(two, a, np.nan) for a in (np.where(missed, s.x, s.x + jump), s.v, np.where(missed, 1.0 - share, share))
    )
    other_x, other_v, other_share = other
    return replace(
        field, scores=replace(s, x=x, lower=x, upper=x, other_x=other_x, other_v=other_v, other_share=other_share)
    )


SHAPES: dict[str, Callable[[np.random.Generator], Field]] = {
    "300 equals": equals,
    "40 equals": lambda r: equals(r, 40),
    "8 equals": lambda r: equals(r, 8),
    "three clusters of 100, 1 error apart": lambda r: clusters(r, 1.0),
    "three clusters of 100, 2 errors apart": lambda r: clusters(r, 2.0),
    "three clusters of 100, 4 errors apart": lambda r: clusters(r, 4.0),
    "three clusters of 100, 12 errors apart": lambda r: clusters(r, 12.0),
    "40 near ties, four ahead": near_ties,
    "300, half as wide as the errors": lambda r: spread(r, 300, 0.5),
    "60, as wide as the errors": lambda r: spread(r, 60, 1.0),
    "60, four times as wide": lambda r: spread(r, 60, 4.0),
    "60, ten times as wide": lambda r: spread(r, 60, 10.0),
    "100, heavy tails": heavy_tails,
    "100 equals, heavy tails": lambda r: heavy_tails(r, 100, 0.0),
    "100 equals, rare outliers": outliers,
    "two benches, 99 equals": lambda r: two_benches(r, 99, 0.0, 0.5),
    "two benches, 99, twice as wide": lambda r: two_benches(r, 99, 2.0, 0.5),
    "two benches of large errors, 30": lambda r: two_benches(r, 30, 3.0, 4.0),
    "100, a fifth of them one of two": near_misses,
}


@dataclass(frozen=True)
class Coverage:
    """Shares that hold the true place: of all speakers; of the first and of the last three shown, also without `luck`;
    of runs in which all joint places hold theirs at once, and in which all differences lie within theirs. told: how
    often the first are called lucky. width: median width of places over the number of speakers."""

    whole_list: float
    first_three: float
    last_three: float
    first_three_without_luck: float
    all_joint: float
    all_differences: float
    told: float
    width: float


def coverage(shape: str, runs: int, seed: int) -> Coverage:
    """Many rounds of measurements of one shape."""
    random = np.random.default_rng([seed, *shape.encode()])
    found = []
    for _ in range(runs):
        field = SHAPES[shape](random)
        critical = field.joint()
        shown = ranking(field.scores, lambda c=critical: c)
        joint = places(field.scores, critical)
        order = np.argsort(-field.scores.x, kind="stable")
        first, last, held = order[:PODIUM], order[-PODIUM:], field.held(shown)
        found.append(
            (
                held.mean(),
                held[first].mean(),
                held[last].mean(),
                np.mean([field.holds(row, place_of(field.scores, row)) for row in first.tolist()]),
                field.held(joint).all(),
                field.all_differences_within(critical),
                shown.first.any(),
                np.median(shown.high - shown.low + 1) / len(order),
            )
        )
    return Coverage(*np.mean(found, axis=0).round(4).tolist())
