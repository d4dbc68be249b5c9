"""What a question requires of a speaker, each as a margin (method:metrics#near-misses-and-order)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.analysis import judging
from speakerdb.analysis.judging import FloatArray, Interval, Requirement
from speakerdb.analysis.question import Question
from speakerdb.figures import DB, Quantity
from speakerdb.metrics.directivity_rows import TONE
from speakerdb.metrics.response_rows import F6

# A miss by no more than this is near: as a share of the limit, or in the figure's unit (own judgement)
NEAR_LEVEL_DB, NEAR_PRICE, NEAR_SIZE, NEAR_MASS, NEAR_BASS, NEAR_TONE_DEG = 3.0, 0.25, 0.1, 0.25, 0.25, 5.0


def numbers(field: pl.DataFrame, column: str) -> FloatArray:
    return field[column].cast(pl.Float64).to_numpy()


def cost_of(field: pl.DataFrame, pair: NDArray[np.bool_]) -> Interval:
    """Price of what is asked for: the pair, or one, which is half of it where the kind is bought as a pair."""
    half = ~pair & (field["price_per"] == "pair").fill_null(False).to_numpy()
    price = numbers(field, "price") * np.where(half, 0.5, 1.0)
    return judging.interval(price, reason=field["price_reason"].fill_null("price unknown").to_numpy())


@dataclass(frozen=True)
class Limit:
    """A limit on a measured figure, whose error bears on whether it is kept: at most (at_most) or at least so much.

    what: the requirement in words; told: the figure, where a case is left open.
    """

    figure: str
    what: str
    told: str
    unit: str
    near: float
    limit: float
    at_most: bool

    def held(self, figure: Interval) -> Requirement:
        """The figure (n,) held against it."""
        margin = figure.below(self.limit) if self.at_most else figure.above(self.limit)
        told = _told(self.told, figure, Quantity(self.unit, 0), self.limit)
        return Requirement(self.what, self.unit, self.near, margin, told)


def limits(question: Question) -> list[Limit]:
    """What is asked of measured figures other than the level."""
    found = []
    bass = question.subwoofer_hz or question.bass_hz
    if bass is not None:
        what = "bass down to the crossover" if question.subwoofer_hz else "bass"
        found.append(Limit(F6.id, what, F6.phrase, "Hz", NEAR_BASS * bass, bass, at_most=True))
    if (angle := question.tone_up_deg) is not None:
        told = "off-axis timbre angle, up to"
        found.append(Limit(TONE["up"].id, "tone when standing", told, "°", NEAR_TONE_DEG, angle, at_most=False))
    return found


def requirements(
    field: pl.DataFrame, figures: Mapping[str, Interval], at_seat: Interval, cost: Interval, question: Question
) -> list[Requirement]:
    """The level always comes first; the others only where they are asked for. figures and at_seat (n,)."""
    level = _told("level at the seat", at_seat, DB, question.level_db)
    return [
        Requirement("level", "dB", NEAR_LEVEL_DB, at_seat.above(question.level_db), level),
        *certain(field, cost, question),
        *(limit.held(figures[limit.figure]) for limit in limits(question)),
    ]


def certain(field: pl.DataFrame, cost: Interval, question: Question) -> list[Requirement]:
    """What is asked of price, sizes and mass: facts without an error."""
    q = question
    found = []
    if q.budget is not None:
        unit = field["currency"][0] if len(field) else None
        found.append(
            Requirement(
                "price",
                unit or "",
                NEAR_PRICE * q.budget,
                cost.below(q.budget),
                _told("price", cost, Quantity(unit or "", 0), q.budget),
            )
        )
    for side, unit in (("height", "mm"), ("width", "mm"), ("depth", "mm"), ("mass", "kg")):
        limit = getattr(q, f"{side}_max_{unit}")
        if limit is not None:
            size = numbers(field, f"{side}_{unit}")
            figure = judging.interval(size, reason=np.full(len(size), f"{side} unknown", object))
            near = limit * (NEAR_MASS if side == "mass" else NEAR_SIZE)
            found.append(
                Requirement(side, unit, near, figure.below(limit), _told(side, figure, Quantity(unit, 0), limit))
            )
    if q.wall_distance_m is not None:  # a depth that is not known is not held against a speaker here
        depth = numbers(field, "depth_mm")
        space = 1000.0 * q.wall_distance_m
        figure = judging.interval(np.where(np.isnan(depth), 0.0, depth))
        found.append(
            Requirement(
                "depth before the wall",
                "mm",
                NEAR_SIZE * space,
                figure.below(space),
                _told("depth", figure, figures.FACTS["depth_mm"], space),
            )
        )
    return found


def _told(what: str, figure: Interval, shown: Quantity, limit: float) -> Callable[[int], str]:
    """Words for a censored figure that leaves the answer open: 'level at the seat ≥ 101.2 dB, asked 104 dB'."""

    def words(i: int) -> str:
        low, high = float(figure.low[i]), float(figure.high[i])
        if not np.isfinite(low) and not np.isfinite(high):
            return f"{what} unknown"
        if np.isfinite(low) and np.isfinite(high):
            known = f"between {shown.number(low)} and {shown.text(high)}"
        else:
            known = shown.interval_text(low, high)
        return f"{what} {known}, asked {figures.joined(figures.plain(limit, 4), shown.unit)}"

    return words
