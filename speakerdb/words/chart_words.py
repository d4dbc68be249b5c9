"""What a chart shows, in one sentence: its lowest and highest value and where."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from speakerdb import figures
from speakerdb.figures import DB, Quantity

SEEN_HZ = (100.0, 10000.0)  # of responses: beyond, the roll-offs would be all that is told


def extremes(frame: pl.DataFrame, value: str, quantity: Quantity, *, over: tuple[float, float] | None = None) -> str:
    """'lowest 82.1 dB at 3.2 kHz, highest 88.2 dB at 900 Hz'; 'not known' where no value is. frame: frequency_hz and
    the column named `value`."""
    shown = frame.filter(pl.col(value).is_finite())
    if over is not None:
        shown = shown.filter(pl.col("frequency_hz").is_between(*over))
    if not len(shown):
        return "not known"
    ends = shown.sort(value)[[0, -1]]
    low, high = (
        f"{word} {quantity.text(level)} at {figures.hertz(at)}"
        for word, (level, at) in zip(("lowest", "highest"), ends.select(value, "frequency_hz").iter_rows(), strict=True)
    )
    return f"{low}, {high}"


def curve(name: str, frame: pl.DataFrame, value: str = "level_db", quantity: Quantity = DB) -> str:
    """A response curve over the band in which it should be even."""
    return f"{name}, {figures.band(*SEEN_HZ)}: {extremes(frame, value, quantity, over=SEEN_HZ)}"


def edges(edge: pl.DataFrame, plane: str) -> str:
    """Where the −6 dB edges of a map lie: at 1 and 10 kHz, both sides. edge: side, frequency_hz, angle_deg."""
    sides = ("left", "right") if plane == "horizontal" else ("up", "down")
    found = []
    for hertz in (1000.0, 10000.0):
        near = edge.with_columns(away=(pl.col("frequency_hz") / hertz).log().abs()).sort("away")
        angles = [near.filter(side=side)["angle_deg"].to_list()[:1] for side in ("first", "second")]
        told = [
            f"{Quantity('°', 0).text(abs(angle[0]))} {side}"
            for angle, side in zip(angles, sides, strict=True)
            if angle and angle[0] is not None
        ]
        found.append(f"at {figures.hertz(hertz)} {figures.listing(told) if told else 'none on record'}")
    return f"Edges at −6 dB, {plane}: {'; '.join(found)}"


def ends(title: str, named: Sequence[tuple[str, str]]) -> str:
    """The first and last of rows that are drawn in an order: (name, value as text)."""
    if not named:
        return f"{title}: nothing is drawn"
    said = [f"{name}, {value}" for name, value in dict.fromkeys((named[0], named[-1]))]
    return f"{title}: {said[0]} first" + (f"; {said[-1]} last of {len(named)}" if len(said) > 1 else "")
