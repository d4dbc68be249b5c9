"""Nearest relatives: how far two speakers' curves lie apart, part by part (method:statistics#measures-like)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import directivity, grid

Levels = NDArray[np.floating[Any]]
Array = NDArray[np.float64]

# Parts of the distance, with their default weights (own judgement; changeable)
WEIGHTS = {
    "bass": 2.0,
    "listening_window": 2.0,
    "in_room": 2.0,
    "directivity_index": 1.0,
    "beamwidth": 1.0,
    "output": 1.0,
}
CURVES = {
    "bass": ("listening_window",),
    "listening_window": ("listening_window",),
    "in_room": ("in_room",),
    "directivity_index": ("di_power",),
    "beamwidth": ("beamwidth_horizontal", "beamwidth_vertical"),
    "output": ("usable_output",),
}
WORDS = {
    "bass": "bass",
    "listening_window": "listening window",
    "in_room": "in-room curve",
    "directivity_index": "directivity index",
    "beamwidth": "beamwidth",
    "output": "usable output",
}
NAMES = tuple(dict.fromkeys(name for names in CURVES.values() for name in names))
SUBWOOFERS = ("on_axis",)  # what subwoofers are compared by, in place of NAMES: by their bass alone
LEVEL = 0.95
CORE = ("bass", "listening_window", "in_room", "directivity_index")  # what every complete session has
BASS, WIDE, ALIGN = grid.band(25.0, 100.0), grid.band(100.0, 16000.0), grid.band(300.0, 10000.0)
SUB_ALIGN = grid.band(40.0, 80.0)  # where subwoofers are set equal
BEAMS = directivity.SECOND.of_grid  # enough for the distance of curves that are 1/3-octave smoothed
LEAST_POINTS = grid.POINTS_PER_OCTAVE  # that both must have: an octave of bass, or of output


@dataclass(frozen=True, eq=False)
class Distances:
    """total_db (n,): NaN where neither listening window nor in-room curve (of subwoofers: bass) can be compared.
    parts: part -> (n,) in dB, NaN where it was not compared. bass_from_hz (n,): lowest frequency that the bass was
    compared at, NaN where it was not."""

    total_db: Array
    parts: dict[str, Array]
    bass_from_hz: Array


def distances(
    own: Mapping[str, Levels], others: Mapping[str, Levels], weights: Mapping[str, float] = WEIGHTS
) -> Distances:
    """One speaker's curves against n others'.

    own: curve name -> (199,); others: curve name -> (n, 199), NaN where a speaker has none; both hold NAMES. Listening
    window and in-room curve are set to the same mean over 300 Hz–10 kHz first. Each part is a root mean square: of the
    listening window over 25–100 Hz (bass; from the lowest frequency both have, at least an octave) and over 100 Hz–16
    kHz, of the in-room curve over the latter, of the directivity index and of 20·log10 of the ratio of beamwidths over
    300 Hz–10 kHz, of usable output over the bands both have (at least an octave). The total is the root of the weighted
    mean square of the parts that both have.

    Where they hold SUBWOOFERS instead, they are compared by the on-axis curve over the bass alone, set to the same mean
    over 40–80 Hz.
    """
    if SUBWOOFERS[0] in own:
        return _of_subwoofers(own, others, weights)
    window = _apart("listening_window", own, others, slice(BASS.start, WIDE.stop))
    bass, bass_from_hz = _bass(window[:, : BASS.stop - BASS.start])
    room = _apart("in_room", own, others, WIDE)
    with np.errstate(divide="ignore", invalid="ignore"):
        beams = [20.0 * np.log10(others[n][:, BEAMS] / own[n][BEAMS]) for n in CURVES["beamwidth"]]
    parts = {
        "bass": bass,
        "listening_window": _rms(window[:, WIDE.start - BASS.start :]),
        "in_room": _rms(room),
        "directivity_index": _rms(others["di_power"][:, ALIGN] - own["di_power"][ALIGN]),
        "beamwidth": np.sqrt(np.mean([_rms(b) ** 2 for b in beams], axis=0)),
        "output": _output(own["usable_output"], others["usable_output"]),
    }
    square, weight = np.zeros(len(bass)), np.zeros(len(bass))
    for part, found in parts.items():
        there = np.isfinite(found)
        square[there] += weights[part] * found[there] ** 2
        weight[there] += weights[part]
    comparable = (np.isfinite(parts["listening_window"]) | np.isfinite(parts["in_room"])) & (weight > 0)
    return Distances(
        np.sqrt(np.where(comparable, square, np.nan) / np.where(comparable, weight, 1.0)), parts, bass_from_hz
    )


def _of_subwoofers(own: Mapping[str, Levels], others: Mapping[str, Levels], weights: Mapping[str, float]) -> Distances:
    bass, bass_from_hz = _bass(_apart(SUBWOOFERS[0], own, others, BASS, SUB_ALIGN))
    none = np.full(len(bass), np.nan)
    return Distances(bass if weights["bass"] > 0 else none, dict.fromkeys(CURVES, none) | {"bass": bass}, bass_from_hz)


def measures_differently(found: Distances, noise: Distances, weights: Mapping[str, float] = WEIGHTS) -> bool:
    """Whether one pair's distance (found, n = 1) lies beyond what errors of measurement alone (noise, n draws) show in
    95 of 100 cases: the total, or one of CORE alone.

    For usable output is known to a few tenths of a dB only and beamwidths jump where a lobe comes and goes, which in
    the total would hide a difference between responses that are known better. Each is set against its own 95 % point,
    and the largest of these ratios against that of noise alone, so that equal speakers still measure differently in 5
    of 100 cases.
    """
    weighed = [p for p in CORE if weights[p] > 0 and np.isfinite(found.parts[p][0])]
    drawn = np.stack([noise.total_db, *(noise.parts[p] for p in weighed)])
    usual = np.maximum(np.quantile(drawn, LEVEL, axis=1), np.finfo(float).tiny)
    limit = np.quantile((drawn / usual[:, None]).max(axis=0), LEVEL)
    mine = np.array([found.total_db[0], *(found.parts[p][0] for p in weighed)])
    return bool((mine / usual).max() > limit)


def _apart(
    name: str, own: Mapping[str, Levels], others: Mapping[str, Levels], band: slice, equal: slice = ALIGN
) -> Levels:
    """(n, F) differences over a band, less their mean over the part of it where they are set equal."""
    there = others[name]
    mine = own[name].astype(there.dtype)  # single precision, as stored, is finer than any distance is told
    difference: Levels = there[:, band] - mine[band]
    difference -= difference[:, equal.start - band.start : equal.stop - band.start].mean(axis=1, keepdims=True)
    return difference


def _square(rows: Levels) -> Array:
    return np.asarray(np.einsum("nf,nf->n", rows, rows), np.float64)


def _rms(rows: Levels) -> Array:
    return np.asarray(np.sqrt(_square(rows) / rows.shape[1]))


def _bass(difference: Levels) -> tuple[Array, Array]:
    """Distances (n,) over the run of points (n, F) that ends at 100 Hz, and the frequency (n,) where that begins."""
    run = np.logical_and.accumulate(np.isfinite(difference)[:, ::-1], axis=1)[:, ::-1]
    points = run.sum(axis=1)
    square = _square(np.where(run, difference, np.zeros((), difference.dtype)))
    enough = points >= LEAST_POINTS
    start = grid.FREQUENCY_HZ[BASS.stop - np.maximum(points, 1)]
    return np.where(enough, np.sqrt(square / np.maximum(points, 1)), np.nan), np.where(enough, start, np.nan)


def _output(own: Levels, others: Levels) -> Array:
    """Usable output: a few bands have a value, the rest is empty."""
    known = np.flatnonzero(np.isfinite(own))
    if not len(known):
        return np.full(len(others), np.nan)
    bands = slice(known[0], known[-1] + 1)
    difference = others[:, bands] - own[bands].astype(others.dtype)
    common = np.isfinite(difference)
    points = common.sum(axis=1)
    difference[~common] = 0.0
    return np.where(points >= LEAST_POINTS, np.sqrt(_square(difference) / np.maximum(points, 1)), np.nan)
