"""Nearest relatives: how far two speakers' curves lie apart, part by part (statistics.md §4, Match)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid

Levels = NDArray[np.floating[Any]]

# Parts of the distance, with their default weights (own judgement; changeable)
WEIGHTS = {"listening_window": 2.0, "in_room": 2.0, "directivity_index": 1.0, "beamwidth": 1.0, "output": 1.0}
CURVES = {
    "listening_window": ("listening_window",),
    "in_room": ("in_room",),
    "directivity_index": ("di_power",),
    "beamwidth": ("beamwidth_horizontal", "beamwidth_vertical"),
    "output": ("usable_output",),
}
CORE = ("listening_window", "in_room", "directivity_index")  # what every complete session has
_WIDE_HZ, _ALIGN_HZ = (100.0, 16000.0), (300.0, 10000.0)
_LEVEL_ALIGNED = {"listening_window", "in_room"}


def _rms(rows: Levels) -> NDArray[np.float64]:
    mean: NDArray[np.float64] = np.mean(rows * rows, axis=1, dtype=np.float64)
    return np.sqrt(mean)


def part_distance(part: str, own: Levels, others: Levels) -> NDArray[np.float64]:
    """RMS distance in dB of one curve (199,) to others (n, 199); NaN where they share too little to compare.

    Listening window and in-room curves are set to the same mean over 300 Hz–10 kHz and compared over 100 Hz–16 kHz;
    directivity indices over 300 Hz–10 kHz as they are; beamwidths there as 20·log10 of their ratio; usable output
    over the bands both have (at least one octave).
    """
    align = grid.band(*_ALIGN_HZ)
    own = own.astype(others.dtype)  # single precision, as stored, is finer than any distance is told
    if part in _LEVEL_ALIGNED:
        wide = grid.band(*_WIDE_HZ)
        middle = slice(align.start - wide.start, align.stop - wide.start)
        difference = others[:, wide] - own[wide]
        difference -= difference[:, middle].mean(axis=1, keepdims=True)
        return _rms(difference)
    if part == "beamwidth":
        with np.errstate(divide="ignore", invalid="ignore"):
            return _rms(20.0 * np.log10(others[:, align] / own[align]))
    if part == "directivity_index":
        return _rms(others[:, align] - own[align])
    there = np.isfinite(own)  # usable output: a few bands have a value, the rest is empty
    difference = others[:, there] - own[there]
    common = np.isfinite(difference).sum(axis=1)
    total = np.nansum(difference**2, axis=1, dtype=np.float64)
    return np.where(common >= grid.POINTS_PER_OCTAVE, np.sqrt(total / np.maximum(common, 1)), np.nan)


def distances(
    own: Mapping[str, Levels], others: Mapping[str, Levels], weights: Mapping[str, float] = WEIGHTS
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Total distance (n,) in dB, and each part (n,), of one speaker's curves to n others'.

    own: curve name -> (199,); others: curve name -> (n, 199), NaN where a speaker has none. A part that either side
    lacks is left out and the weights of the rest are used; the total is NaN where neither the listening window nor
    the in-room curve can be compared.
    """
    count = next(iter(others.values())).shape[0]
    square, weight = np.zeros(count), np.zeros(count)
    parts: dict[str, NDArray[np.float64]] = {}
    for part, names in CURVES.items():
        if not all(name in own and name in others for name in names):
            parts[part] = np.full(count, np.nan)
            continue
        each = np.stack([part_distance(part, own[name], others[name]) for name in names])
        parts[part] = np.sqrt(np.mean(each**2, axis=0))
        there = np.isfinite(parts[part])
        square[there] += weights[part] * parts[part][there] ** 2
        weight[there] += weights[part]
    comparable = np.isfinite(parts["listening_window"]) | np.isfinite(parts["in_room"])
    total = np.where(comparable & (weight > 0), np.sqrt(square / np.where(weight > 0, weight, 1.0)), np.nan)
    return total, parts
