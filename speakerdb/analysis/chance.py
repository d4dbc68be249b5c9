"""How likely a speaker meets a question: what was measured and the room itself, drawn together (metrics.md §6).

The room is one and the same for all speakers, so each draw of it is shared by them; and the draws belong to the room alone,
so that a level asked for higher, or a smaller purse, never makes a speaker likelier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.analysis import seat
from speakerdb.analysis.judging import FloatArray, Interval, Texts, lowest, p_meets
from speakerdb.analysis.question import Question
from speakerdb.analysis.requirements import requirements
from speakerdb.statistics.error_model import DRAWS, MODEL_VERSION
from speakerdb.statistics.fields import generator

Draws = Mapping[str, NDArray[np.float32]]
_NODES = 7  # reverberation times at which the gain is worked out; between them it bends by less than 0.02 dB
_BLOCK = 1000  # speakers at a time, so that the draws at work stay small


@dataclass(frozen=True, eq=False)
class RoomDraws:
    """One room drawn B times: error_db (B,) of the room model; gain = weight (B, K) @ gains at reverberation_s (K,)."""

    error_db: NDArray[np.float32]
    weight: NDArray[np.float32]
    reverberation_s: FloatArray


def draw_room(place: seat.Seat, count: int = DRAWS) -> RoomDraws:
    """The room's uncertainty: MODEL_DB normal, and an assumed reverberation time log-normal with REVERBERATION_SPREAD as its
    relative sd (a time can't be negative). Stratified: each 1/count of either distribution is drawn exactly once.
    """
    random = generator("room", f"{place.volume_m3!r}|{place.surface_m2!r}|{place.reverberation_s!r}", MODEL_VERSION)
    steps = np.array([NormalDist().inv_cdf((i + 0.5) / count) for i in range(count)])
    error = np.float32(seat.MODEL_DB) * random.permutation(steps).astype(np.float32)
    if not place.reverberation_assumed:
        return RoomDraws(error, np.ones((count, 1), np.float32), np.array([place.reverberation_s]))
    width = np.sqrt(np.log1p(seat.REVERBERATION_SPREAD**2))
    drawn = width * random.permutation(steps)  # log of the ratio to the assumed time
    nodes = np.linspace(drawn.min(), drawn.max(), _NODES)
    hats = np.maximum(0.0, 1.0 - np.abs(drawn[:, None] - nodes) / (nodes[1] - nodes[0]))
    return RoomDraws(error, hats.astype(np.float32), place.reverberation_s * np.exp(nodes))


@dataclass(frozen=True, eq=False)
class Asked:
    """What is known for certain of each row: facts, values as intervals, powered, pair, largest size in m, cost."""

    field: pl.DataFrame
    figures: Mapping[str, Interval]
    powered: Texts
    pair: NDArray[np.bool_]
    largest_m: FloatArray
    cost: Interval

    def take(self, rows: slice | NDArray[np.intp]) -> Asked:
        return Asked(
            self.field[rows], {name: _take(figure, rows) for name, figure in self.figures.items()}, self.powered[rows],
            self.pair[rows], self.largest_m[rows], _take(self.cost, rows),
        )  # fmt: skip


def _take(figure: Interval, rows: slice | NDArray[np.intp]) -> Interval:
    return Interval(figure.low[rows], figure.high[rows], figure.reason[rows])


def drawn_figures(question: Question) -> list[str]:
    """The figures whose uncertainty bears on a question."""
    names = ["max_level_db", seat.balance_metric(question)]
    names += ["sensitivity_db"] if question.amplifier_w is not None else []
    names += ["f6_hz"] if question.subwoofer_hz or question.f6_hz else []
    return names + (["tone_up_deg"] if question.standing else [])


def meets(
    asked: Asked, di_db: NDArray[np.floating[Any]], place: seat.Seat, question: Question, draws: Draws
) -> tuple[FloatArray, FloatArray]:
    """(n,), (n,): probability that each row meets everything, with open figures at their worst and at their best.

    draws: figure -> (n, B) corrected draws, NaN rows where there are none (then the value stands alone). A censored figure has
    its draws at the known end and is infinite at the other. The predicted preference and the price are no part of it.
    """
    count = next((d.shape[1] for d in draws.values()), DRAWS)
    room = draw_room(place, count)
    band = di_db[:, grid.band(*seat.LEVEL_BAND_HZ)]
    low, high = np.empty(len(band)), np.empty(len(band))
    for start in range(0, len(band), _BLOCK):
        rows = slice(start, start + _BLOCK)
        part = asked.take(rows)
        figures = {name: _drawn(part.figures[name], draws[name][rows]) for name in draws}
        part = replace(part, figures={**part.figures, **figures})
        at_seat = _at_seat(part, band[rows], place, question, room)
        low[rows], high[rows] = p_meets(requirements(part.field, part.figures, at_seat, part.cost, question))
    return low, high


def _drawn(figure: Interval, draws: NDArray[np.float32]) -> Interval:
    """A figure (n,) as draws (B, n); both ends are one array where nothing is open."""
    low = draws.copy().T
    bare = np.isnan(low[0])
    low[:, bare] = np.where(np.isfinite(figure.low), figure.low, figure.high)[bare]
    high = low
    if (open_up := np.isposinf(figure.high)).any():
        high = low.copy("K")
        high[:, open_up] = np.inf
    if (open_down := np.isneginf(figure.low)).any():
        high = low.copy("K") if high is low else high
        low[:, open_down] = -np.inf
    return Interval(low, high, figure.reason)


def _at_seat(
    part: Asked, di_db: NDArray[np.floating[Any]], place: seat.Seat, question: Question, room: RoomDraws
) -> Interval:
    """Level at the seat as draws (B, n): direct and reverberant sound, with the room's uncertainty."""
    gains = np.stack([seat.mean_gain_db(place, time, di_db) for time in room.reverberation_s], axis=1)
    unknown, near = np.isnan(gains[:, 0]), seat.too_near(part.largest_m, place.distance_m)
    gains[unknown] = place.direct_db
    gains += np.where(part.pair, seat.PAIR_DB, 0.0)[:, None]
    gain = (gains.astype(np.float32) @ room.weight.T).T
    gain += room.error_db[:, None]
    delivered = lowest(seat.limits_of(part.figures, part.powered, question))
    low = delivered.low + gain
    high = low if delivered.high is delivered.low else delivered.high + gain
    if (open_up := near | unknown).any():
        high = low.copy("K") if high is low else high
        high[:, open_up] = np.inf
    low[:, near] = -np.inf
    return Interval(low, high, delivered.reason)
