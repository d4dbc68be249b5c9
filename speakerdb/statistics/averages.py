"""Errors of averaged curves drawn directly, without the 72 curves that they are averages of (method:statistics#draws).

Linearised: an average of p² moves by Σŵ·ε, where ŵ is the share of each curve in it; to the second order it moves on
average by (ln 10/20)·(Σŵ·ε² − (Σŵ·ε)²) more, since noise adds power. tests/derive/test_fast_draws.py holds the result
against draws of all curves. K averages, R = 72 slots of readings, B draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, directivity
from speakerdb.acoustics.curveset import PER_ORBIT, CurveSet
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field

Array = NDArray[np.float64]
Floats32 = NDArray[np.float32]
_BEND = math.log(10.0) / 20.0  # second-order term of a power average, per dB²
_CURVES = 5  # of the curve set: on axis, window, early reflections, power, in room
_PLAIN_TURN = directivity.TURNED.index(0)
TURNED_AT = directivity.SECOND  # in-room curves are smooth enough to be turned at every second point


@dataclass(frozen=True, eq=False)
class Errors:
    """Of the curve set (5 or 1, B, 199), and of the in-room curves as turned (6 or 1, B, F) at the points TURNED_AT; 1
    where all have the same. Single precision: finer than anything is told."""

    curves: Floats32
    turned: Floats32

    @classmethod
    def common(cls, error_db: Floats32) -> Errors:
        """An error (B, 199) that all curves have."""
        return cls(error_db[None], error_db[None, :, TURNED_AT.of_grid])

    def __add__(self, other: Errors) -> Errors:
        return Errors(self.curves + other.curves, self.turned + other.turned)


@dataclass(frozen=True, eq=False)
class Averages:
    """level_db (K, 199): on axis, window, early reflections, power, in room, then in room as turned (but for 0°, which
    is the fifth); share (K, 72, 199): of each slot in each of them, summing to 1 over slots; NaN rows where an angle is
    missing."""

    level_db: Array
    share: Array

    def curve_set(self, errors: Errors) -> CurveSet:
        """The curve set (B, 199) with errors."""
        return CurveSet(*(self.level_db[:_CURVES, None].astype(np.float32) + errors.curves))

    def turned_in_room(self, errors: Errors) -> Floats32:
        """The in-room curves (B, 7, F) with errors, as turned."""
        plain = (
            self.level_db[_CURVES - 1, None, TURNED_AT.of_grid].astype(np.float32)
            + errors.curves[-1][:, TURNED_AT.of_grid]
        )
        rest = self.level_db[_CURVES:, None, TURNED_AT.of_grid].astype(np.float32) + errors.turned
        return np.stack([*rest[:_PLAIN_TURN], plain, *rest[_PLAIN_TURN:]], axis=1)


def averages_of(level_db: Array) -> Averages:
    """From levels (72, 199) whose poles are shared."""
    power = curveset.power_of(level_db)
    with np.errstate(invalid="ignore", divide="ignore"):
        alone = np.zeros_like(power)
        alone[curveset.ON_AXIS] = power[curveset.ON_AXIS]
        parts = [alone, *(np.where(w[:, None] == 0.0, 0.0, w[:, None] * power) for w in curveset.WEIGHTS.values())]
        lists, vertical = directivity.TURNED_WEIGHTS
        sp = curveset.IN_ROOM_WEIGHTS["sp"] * curveset.SP_WEIGHTS[:, None] * power
        for row, turn in zip(lists, directivity.TURNED, strict=True):
            if turn == 0:
                continue
            axis = power[curveset.h(turn)[0]] / power[curveset.ON_AXIS]
            part = sp.copy()
            part[:PER_ORBIT] += row[:, None] * power[:PER_ORBIT]
            shifted = vertical[:, None] * power[PER_ORBIT:] * axis
            part[PER_ORBIT:] += shifted
            # the shift itself carries the errors of the two curves that it is the difference of
            part[curveset.h(turn)[0]] += shifted.sum(axis=0)
            part[curveset.ON_AXIS] -= shifted.sum(axis=0)
            parts.append(part)
        total = np.stack([part.sum(axis=0) for part in parts])
        share = np.stack(parts) / total[:, None, :]
        return Averages(10.0 * np.log10(total), share)


def repeat_errors(averages: Averages, reader: Reader) -> tuple[Errors, Array]:
    """Errors of the averages through what differs from reading to reading, and (K, 199) their standard deviations."""
    share = reader.merged(np.nan_to_num(averages.share))
    sd = reader.model.sd(reader.info, "repeatability")
    spread = share * reader.reading_factor[:, None]
    # the in-room curve is made of window, early reflections and power: its error follows from theirs
    free = np.delete(spread, _CURVES - 1, axis=0)
    covariance = np.einsum("jcf,kcf->fjk", free, free, optimize=True)
    # the triangular root: the curve set needs no fields but its own, and it changes little from one frequency to the
    # next
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(free))).transpose(1, 2, 0).astype(np.float32)
    rng, width = reader.generator("averages", reader.keys.session), WIDTH_OCT["repeatability"]
    whole = smooth_field(rng, (_CURVES - 1) * DRAWS, width).reshape(_CURVES - 1, DRAWS, -1)
    more = smooth_field(rng, (len(free) - len(whole)) * DRAWS, width, TURNED_AT).reshape(
        -1, DRAWS, len(TURNED_AT.index)
    )
    at = TURNED_AT.of_grid
    curves = _mixed(root[: len(whole), : len(whole)], whole)
    turned = _mixed(root[len(whole) :, :, at], np.concatenate([whole[..., at], more]))
    power = np.array(list(curveset.IN_ROOM_WEIGHTS.values()))[:, None] * curveset.power_of(
        averages.level_db[1:4] - averages.level_db[4]
    )
    in_room = _mixed(np.nan_to_num(power)[None].astype(np.float32), curves[1:4])
    # noise adds power: the second-order term of Σŵ·ε² − (Σŵ·ε)²
    squares = (spread * reader.reading_factor[:, None]).sum(axis=1) - (spread**2).sum(axis=1)
    gained = (_BEND * sd.astype(np.float64) ** 2 * squares).astype(np.float32)[:, None]
    found = Errors(sd * np.concatenate([curves, in_room]) + gained[:_CURVES], sd[at] * turned + gained[_CURVES:, :, at])
    return found, np.sqrt((spread**2).sum(axis=1)) * sd


def _mixed(weights: Floats32, fields: Floats32) -> Floats32:
    """Fields (k, B, F) mixed with weights (j, k, F) that change over frequency: (j, B, F)."""
    found = np.zeros((len(weights), *fields.shape[1:]), np.float32)
    for j, k in np.argwhere(weights.any(axis=2)).tolist():
        found[j] += weights[j, k] * fields[k]
    return found


def sample_errors(averages: Averages, common: Floats32, directivity_error: Floats32) -> Errors:
    """What another sample's spread (B, 199) and directivity error (B, 199), growing off the axis, do to the
    averages."""
    share, away = np.nan_to_num(averages.share), AWAY.astype(np.float64)
    linear, squared = (np.einsum("kcf,c->kf", share, x) for x in (away, away**2))
    bend = (_BEND * (squared - linear**2)).astype(np.float32)[:, None]
    shift = linear.astype(np.float32)[:, None]

    def moved(rows: slice, at: slice) -> Floats32:
        away_db = directivity_error[:, at]
        return np.asarray(common[:, at] + (shift[rows, :, at] + bend[rows, :, at] * away_db) * away_db)

    return Errors(moved(slice(_CURVES), slice(None)), moved(slice(_CURVES, None), TURNED_AT.of_grid))
