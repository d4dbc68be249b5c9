"""A relative in words: whether it measures differently, what was left out of the comparison."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.analysis import nearness


def verdict(row: Mapping[str, Any]) -> str:
    """In words, for a row of the answer."""
    if row["measures_differently"] is None:
        return f"whether it measures differently is not judged: {row['reason']}"
    return "measures differently" if row["measures_differently"] else "the measurements can't tell them apart"


def remarks(row: Mapping[str, Any]) -> list[str]:
    """What was left out of a comparison, for a row of the answer: "bass compared from 40 Hz", "usable output not compared"."""
    found = [f"{words} not compared" for part, words in nearness.WORDS.items() if row[part] is None]
    lowest = row["bass_from_hz"]
    if lowest is not None and lowest > grid.FREQUENCY_HZ[nearness.BASS.start] * (1 + 1e-9):
        found.insert(0, f"bass compared from {figures.number(lowest)} Hz")
    return found
