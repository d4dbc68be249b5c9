"""How likely a speaker meets a question, and between which levels it lies at the seat: one distribution gives both
(method:statistics#chance-that-it-fits).

The level at the seat is spread by three things: how far another unit of the model may lie from what was measured, taken
at STEPS levels of equal probability; an assumed reverberation time, at NODES fixed times with their weights; and the
room model's own error, which is normal and taken exactly. Nothing is drawn, and the nodes belong to the room alone, so
that a higher level or a smaller budget never makes a speaker likelier, and the answer is the same every time.

Compression, balance and sensitivity share the error of the level that they were measured at, so the lowest of them is
taken step by step: all at their first step together, all at their second. Bass and tone err on their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.analysis import seat
from speakerdb.analysis.judging import FloatArray, Interval, Texts, lowest
from speakerdb.analysis.metric_column import MetricColumn, on_scale
from speakerdb.analysis.question import Question
from speakerdb.analysis.requirements import Limit, certain, limits

STEPS, NODES = 21, 7
COVERAGE = 0.95
STEP_SCORES = np.array([NormalDist().inv_cdf((i + 0.5) / STEPS) for i in range(STEPS)])
_BLOCK = 1000  # speakers at a time, so that what is worked on stays in the processor's cache
_CLOSE_DB = 0.03  # a search step squares what is left: after one so small that is under 2e-4 dB, 1e-6 of probability


@dataclass(frozen=True, eq=False)
class Spread:
    """How far a figure of another unit may lie from the value (n,), on its scale (log: log2 of its unit).

    A normal distribution of standard deviation se; where the value is one of two, with other_share one of other_se
    about value + other_step instead. A figure of which no error is known has se 0 and stands alone.
    """

    log: bool
    se: FloatArray
    other_step: FloatArray
    other_se: FloatArray
    other_share: FloatArray

    @classmethod
    def of(cls, column: MetricColumn) -> Spread:
        """That of a column asked for another unit."""
        step = on_scale(column.metric, column.other_value) - column.x
        known = (np.nan_to_num(part) for part in (column.se, step, column.other_se, column.other_share))
        return cls(column.metric.scale == "log", *known)

    def take(self, rows: slice | NDArray[np.intp]) -> Spread:
        return Spread(self.log, self.se[rows], self.other_step[rows], self.other_se[rows], self.other_share[rows])

    def steps(self, figure: Interval) -> Interval:
        """A level (n,) as STEPS values of equal probability (STEPS, n). A level is never one of two
        (method:statistics#one-of-two-values)."""
        error = STEP_SCORES[:, None] * self.se
        return Interval(figure.low + error, figure.high + error, figure.reason)

    def met(self, figure: Interval, limit: Limit) -> tuple[FloatArray, FloatArray]:
        """(n,), (n,): probability that a figure keeps a limit, with what is open at its worst and at its best."""
        sign = -1.0 if limit.at_most else 1.0
        ends = (figure.high, figure.low) if limit.at_most else (figure.low, figure.high)
        worst, best = (self._above(sign * (self._scaled(end) - self._scaled(limit.limit)), sign) for end in ends)
        return worst, best

    def _above(self, margin: FloatArray, sign: float) -> FloatArray:
        """Probability that a margin (n,) on the scale stays 0 or more."""
        here, there = _normal(margin, self.se), _normal(margin + sign * self.other_step, self.other_se)
        return np.asarray((1.0 - self.other_share) * here + self.other_share * there)

    def _scaled(self, value: NDArray[np.floating[Any]] | float) -> FloatArray:
        if not self.log:
            return np.asarray(value, np.float64)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log2(np.maximum(value, 0.0)))  # an open lower end stays one


def _normal(margin: FloatArray, sd: FloatArray) -> FloatArray:
    """Probability that margin + a normal error is 0 or more; certain where there is none."""
    from scipy.special import ndtr

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(sd > 0.0, ndtr(margin / sd), (margin >= 0.0).astype(np.float64))


def reverberation(place: seat.Seat) -> tuple[FloatArray, FloatArray]:
    """Times (J,) in s and their weights (J,): one where it was stated; where it is assumed, the nodes of a
    Gauss–Hermite rule over a log-normal distribution (a time can't be negative) of relative standard deviation
    REVERBERATION_SPREAD."""
    if not place.reverberation_assumed:
        return np.array([place.reverberation_s]), np.ones(1)
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    width = np.sqrt(np.log1p(seat.REVERBERATION_SPREAD**2))
    return place.reverberation_s * np.exp(width * node), weight / weight.sum()


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of each row: facts, values as intervals, their spreads, powered, pair, largest size in m, cost, and
    the sound-power directivity index (n, 199), NaN where not known. spreads: of what `bearing` names."""

    field: pl.DataFrame
    figures: Mapping[str, Interval]
    spreads: Mapping[str, Spread]
    powered: Texts
    pair: NDArray[np.bool_]
    largest_m: FloatArray
    cost: Interval
    di_db: NDArray[np.floating[Any]]

    def take(self, rows: slice | NDArray[np.intp]) -> Known:
        return Known(
            self.field[rows],
            {name: figure.take(rows) for name, figure in self.figures.items()},
            {name: spread.take(rows) for name, spread in self.spreads.items()},
            self.powered[rows],
            self.pair[rows],
            self.largest_m[rows],
            self.cost.take(rows),
            self.di_db[rows],
        )


def bearing(question: Question) -> list[str]:
    """The figures whose uncertainty bears on a question."""
    return [*seat.level_figures(question), *(limit.figure for limit in limits(question))]


@dataclass(frozen=True, eq=False)
class Chances:
    """Of each row (n,): probability that it meets everything, with open figures at their worst and at their best; and
    the 95 % interval of its level at the seat, infinite where open. The probability of a level at `level_low_db` is
    97.5 %."""

    p_low: FloatArray
    p_high: FloatArray
    level_low_db: FloatArray
    level_high_db: FloatArray


def chances(known: Known, place: seat.Seat, question: Question) -> Chances:
    """What each row's chance is. Only the level depends on the room, so all else is a factor of the mean over its
    nodes; the predicted preference and the price's change over time are no part of it."""
    count = len(known.pair)
    low, high = np.ones(count), np.ones(count)
    for requirement in certain(known.field, known.cost, question):
        low *= requirement.margin.low >= 0.0
        high *= requirement.margin.high >= 0.0
    for limit in limits(question):
        worst, best = known.spreads[limit.figure].met(known.figures[limit.figure], limit)
        low *= worst
        high *= best
    levels = np.empty((2, count))
    for start in range(0, count, _BLOCK):
        rows = slice(start, start + _BLOCK)
        worst_level, best_level = _at_seat(known.take(rows), place, question)
        share = worst_level.above(question.level_db)[0]
        low[rows] *= share
        open_ = np.flatnonzero((worst_level.step_db != best_level.step_db).any(axis=0))
        share[open_] = best_level.take(open_).above(question.level_db)[0]
        high[rows] *= share
        levels[0, rows] = worst_level.exceeded_by((1.0 + COVERAGE) / 2.0)
        levels[1, rows] = best_level.exceeded_by((1.0 - COVERAGE) / 2.0)
    return Chances(low, high, levels[0], levels[1])


@dataclass(frozen=True, eq=False)
class LevelAtSeat:
    """The level at the seat as a mixture of normal distributions of standard deviation MODEL_DB: one about each sum of
    step_db (K, n), equally likely, infinite where open, and gain_db (J, n), of weight (J,)."""

    step_db: FloatArray
    gain_db: FloatArray
    weight: FloatArray

    def take(self, rows: NDArray[np.intp]) -> LevelAtSeat:
        return LevelAtSeat(self.step_db[:, rows], self.gain_db[:, rows], self.weight)

    def above(self, level_db: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """(n,), (n,): probability that level_db is exceeded, and its density there per dB."""
        from scipy.special import ndtr

        share, density = np.zeros(self.step_db.shape[1]), np.zeros(self.step_db.shape[1])
        for gain, weight in zip(self.gain_db, self.weight, strict=True):
            score = (self.step_db + (gain - level_db)) / seat.MODEL_DB
            share += weight * ndtr(score).mean(axis=0)
            density += weight * np.exp(-0.5 * score**2).mean(axis=0)
        return share, density / (seat.MODEL_DB * np.sqrt(2.0 * np.pi))

    def exceeded_by(self, share: float) -> FloatArray:
        """(n,): the level that is exceeded with this probability; infinite where the steps are.

        Newton's method on the normal score of the probability, which is nearly straight over level, kept between the
        levels that the lowest and the highest of the mixture's distributions exceed so often.
        """
        from scipy.special import ndtri

        wanted = NormalDist().inv_cdf(share)
        found: FloatArray = self.step_db[0].copy()
        rows = np.flatnonzero(np.isfinite(found))
        part = self.take(rows)
        middle = part.weight @ part.gain_db
        variance = part.weight @ (part.gain_db - middle) ** 2 + part.step_db.var(axis=0) + seat.MODEL_DB**2
        level = part.step_db.mean(axis=0) + middle - wanted * np.sqrt(variance)
        low, high = (
            end(part.step_db, axis=0) + end(part.gain_db, axis=0) - wanted * seat.MODEL_DB for end in (np.min, np.max)
        )
        while len(rows):
            now, density = part.above(level)
            low, high = np.where(now >= share, level, low), np.where(now <= share, level, high)
            score = ndtri(now)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                better = level + (score - wanted) * np.exp(-0.5 * score**2) / np.sqrt(2.0 * np.pi) / density
            better = np.where((better >= low) & (better <= high), better, (low + high) / 2.0)
            found[rows] = better
            going = np.flatnonzero(np.abs(better - level) > _CLOSE_DB)
            rows, part, level, low, high = rows[going], part.take(going), better[going], low[going], high[going]
        return found


def _at_seat(part: Known, place: seat.Seat, question: Question) -> tuple[LevelAtSeat, LevelAtSeat]:
    """Direct and reverberant sound at the seat, with what is open at its worst and at its best."""
    steps = {name: part.spreads[name].steps(part.figures[name]) for name in seat.level_figures(question)}
    delivered = lowest(seat.limits_of({**part.figures, **steps}, part.powered, question))
    times, weight = reverberation(place)
    di_db = part.di_db[:, grid.band(*seat.LEVEL_BAND_HZ)]
    gain = np.stack([seat.mean_gain_db(place, time, di_db) for time in times])
    unknown, near = np.isnan(gain[0]), seat.too_near(part.largest_m, place.distance_m)
    gain[:, unknown] = place.direct_db
    gain += np.where(part.pair, seat.PAIR_DB, 0.0)
    low = np.where(near, -np.inf, delivered.low)
    high = np.where(near | unknown, np.inf, delivered.high)
    return LevelAtSeat(low, gain, weight), LevelAtSeat(high, gain, weight)
