"""How likely a speaker meets a question, and between which levels it lies at the seat: one distribution gives both
(method:statistics#chance-that-it-fits).

The level at the seat is spread by four things: how far another unit of the model may lie from what was measured, and
the room model's own error, which are normal and taken exactly; an assumed reverberation time, at NODES fixed times with
their weights; and how far the room carries the bass, anywhere between its worst and its best with equal probability
(own judgement), at BASS_NODES fixed places. Nothing is drawn, and the nodes belong to the room alone, so that a higher
level or a smaller budget never makes a speaker likelier, and the answer is the same every time. Bass limit and timbre
err on their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis import seat
from speakerdb.analysis.judging import FloatArray, Interval, Texts
from speakerdb.analysis.metric_column import MetricColumn, on_scale
from speakerdb.analysis.question import Question
from speakerdb.analysis.requirements import Limit, certain, limits
from speakerdb.metrics.electrical_rows import SENSITIVITY

NODES, BASS_NODES = 7, 5
COVERAGE = 0.95
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


def nodes_of(place: seat.Seat) -> tuple[seat.Nodes, FloatArray]:
    """The rooms that the seat may be in, and their weights (J, T). Reverberation: one time where it was stated; where
    it is assumed, the nodes of a Gauss–Hermite rule over a log-normal distribution (a time can't be negative) of
    relative standard deviation REVERBERATION_SPREAD. The bass: those of a Gauss–Legendre rule."""
    at, share = np.polynomial.legendre.leggauss(BASS_NODES)
    time, weight = np.array([place.reverberation_s]), np.ones(1)
    if place.reverberation_assumed:
        node, weight = np.polynomial.hermite_e.hermegauss(NODES)
        time = place.reverberation_s * np.exp(np.sqrt(np.log1p(seat.REVERBERATION_SPREAD**2)) * node)
    return seat.Nodes(time, 0.5 * (1.0 + at)), np.outer(weight / weight.sum(), share / share.sum())


@dataclass(frozen=True, eq=False)
class Known:
    """What is known of each row: facts, values as intervals, their spreads, powered, pair, largest size in m, cost, and
    what it can do per band. spreads: of what `bearing` names."""

    field: pl.DataFrame
    figures: Mapping[str, Interval]
    spreads: Mapping[str, Spread]
    powered: Texts
    pair: NDArray[np.bool_]
    largest_m: FloatArray
    cost: Interval
    bands: seat.Bands

    def take(self, rows: slice | NDArray[np.intp]) -> Known:
        return Known(
            self.field[rows],
            {name: figure.take(rows) for name, figure in self.figures.items()},
            {name: spread.take(rows) for name, spread in self.spreads.items()},
            self.powered[rows],
            self.pair[rows],
            self.largest_m[rows],
            self.cost.take(rows),
            self.bands.take(rows),
        )


def bearing(question: Question) -> list[str]:
    """The figures whose uncertainty bears on a question."""
    level = [seat.level_metric(question).id] + ([SENSITIVITY.id] if question.amplifier_w is not None else [])
    return [*level, *(limit.figure for limit in limits(question))]


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
        open_ = np.flatnonzero((worst_level.level_db != best_level.level_db).any(axis=0))
        share[open_] = best_level.take(open_).above(question.level_db)[0]
        high[rows] *= share
        levels[0, rows] = worst_level.exceeded_by((1.0 + COVERAGE) / 2.0)
        levels[1, rows] = best_level.exceeded_by((1.0 - COVERAGE) / 2.0)
    return Chances(low, high, levels[0], levels[1])


@dataclass(frozen=True, eq=False)
class LevelAtSeat:
    """The level at the seat as a mixture of normal distributions: one about each of level_db (K, n), infinite where
    open, of weight (K,) and standard deviation sd_db (n,)."""

    level_db: FloatArray
    weight: FloatArray
    sd_db: FloatArray

    def take(self, rows: NDArray[np.intp]) -> LevelAtSeat:
        return LevelAtSeat(self.level_db[:, rows], self.weight, self.sd_db[rows])

    def above(self, level_db: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """(n,), (n,): probability that level_db is exceeded, and its density there per dB."""
        from scipy.special import ndtr

        score = (self.level_db - level_db) / self.sd_db
        density = self.weight @ np.exp(-0.5 * score**2)
        return self.weight @ ndtr(score), density / (self.sd_db * np.sqrt(2.0 * np.pi))

    def exceeded_by(self, share: float) -> FloatArray:
        """(n,): the level that is exceeded with this probability; infinite where the levels are.

        Newton's method on the normal score of the probability, which is nearly straight over level, kept between the
        levels that the lowest and the highest of the mixture's distributions exceed so often.
        """
        from scipy.special import ndtri

        wanted = NormalDist().inv_cdf(share)
        found: FloatArray = self.level_db[0].copy()
        rows = np.flatnonzero(np.isfinite(found))
        part = self.take(rows)
        middle = part.weight @ part.level_db
        variance = part.weight @ (part.level_db - middle) ** 2 + part.sd_db**2
        level = middle - wanted * np.sqrt(variance)
        low, high = (end(part.level_db, axis=0) - wanted * part.sd_db for end in (np.min, np.max))
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
    """The level at the seat, with what is open at its worst and at its best."""
    nodes, weight = nodes_of(place)
    of, asked = part.bands, seat.asked_of(question)
    amplified = seat.amplified_db(of, part.powered, question)
    limit = seat.levels_at(place, asked, amplified, of, part.pair, nodes)
    ends = [seat.levels_at(place, asked, output, of, part.pair, nodes) for output in (of.low_db, of.high_db)]
    open_below, open_above = seat.unknown(place, of, part.powered, part.largest_m, question)
    # the error is that of what limits: the speaker's output, or with an amplifier its sensitivity
    own = part.spreads[seat.level_metric(question).id].se
    by_amplifier = np.median(limit - ends[0], axis=(0, 1)) < 0.0
    se = np.where(by_amplifier, part.spreads[SENSITIVITY.id].se, own) if question.amplifier_w is not None else own
    sd = np.hypot(se, seat.MODEL_DB)
    low, high = (np.minimum(end, limit).reshape(weight.size, -1) for end in ends)
    return (
        LevelAtSeat(np.where(open_below | np.isnan(low), -np.inf, low), weight.reshape(-1), sd),
        LevelAtSeat(np.where(open_above | np.isnan(high), np.inf, high), weight.reshape(-1), sd),
    )
