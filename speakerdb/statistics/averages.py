"""Errors of averaged curves drawn directly, without the 72 curves that they are averages of (statistics.md §1, §11).

Linearised: an average of p² moves by Σŵ·ε, where ŵ is the share of each curve in it; to the second order it moves on average by
(ln 10/20)·(Σŵ·ε² − (Σŵ·ε)²) more, since noise adds power. tests/statistics/test_averages.py holds the result against draws of all
curves. K averages, R = 72 slots of readings, B draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, directivity
from speakerdb.acoustics.curveset import PER_ORBIT, CurveSet
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import WIDTH_OCT
from speakerdb.statistics.fields import smooth_field

Array = NDArray[np.float64]
Floats32 = NDArray[np.float32]
_BEND = math.log(10.0) / 20.0  # second-order term of a power average, per dB²
_CURVES = 5  # of the curve set: on axis, window, early reflections, power, in room
_PLAIN_TURN = directivity.TURNED.index(0)


@dataclass(frozen=True, eq=False)
class Averages:
    """level_db (K, 199): on axis, window, early reflections, power, in room, then in room as turned (but for 0°, which is the fifth);
    share (K, 72, 199): of each slot in each of them, summing to 1 over slots; NaN rows where an angle is missing."""

    level_db: Array
    share: Array

    def moved(self, error_db: Floats32, *, turned: bool = True) -> tuple[CurveSet, Floats32]:
        """The curve set, each (B, 199), and the in-room curves as turned (B, 7, 199), with errors (K, B, 199) or (1, B, 199). Single
        precision, as errors are: finer than anything is told."""
        rows = self.level_db.astype(np.float32)[:, None, :]
        curves = rows[:_CURVES] + error_db[:_CURVES]
        found = CurveSet(*curves)
        if not turned:
            return found, np.empty((0, 0, 0), np.float32)
        error = np.broadcast_to(error_db, (len(rows), *error_db.shape[1:])) if len(error_db) == 1 else error_db
        every = [rows[k] + error[k] for k in range(_CURVES, len(rows))]
        every.insert(_PLAIN_TURN, found.in_room)
        return found, np.stack(every, axis=1)


def averages_of(level_db: Array) -> Averages:
    """From levels (72, 199) whose poles are shared."""
    power = curveset.power_of(level_db)
    with np.errstate(invalid="ignore", divide="ignore"):
        alone = np.zeros_like(power)
        alone[curveset.ON_AXIS] = power[curveset.ON_AXIS]
        parts = [alone, *(np.where(w[:, None] == 0.0, 0.0, w[:, None] * power) for w in curveset.WEIGHTS.values())]
        lists, vertical = directivity.turned_weights()
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


def repeat_errors(averages: Averages, reader: Reader, count: int) -> tuple[Floats32, Array]:
    """(K, B, 199) errors of the averages through what differs from reading to reading, and (K, 199) their standard deviations."""
    share = reader.merged(np.nan_to_num(averages.share))
    sd = reader.model.sd(reader.info, "repeatability")
    spread = share * reader.reading_factor[:, None]
    covariance = np.einsum("jcf,kcf->fjk", spread, spread, optimize=True)
    values, vectors = np.linalg.eigh(covariance)
    # the symmetric root, which changes smoothly from one frequency to the next
    half = ((vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.swapaxes(1, 2)).astype(np.float32)
    fields = smooth_field(reader.generator("averages", reader.keys.session), count * len(share), WIDTH_OCT["repeatability"])
    drawn = np.einsum("fjk,kbf->jbf", half, fields.reshape(len(share), count, -1), optimize=True)
    # noise adds power: the second-order term of Σŵ·ε² − (Σŵ·ε)²
    squares = (spread * reader.reading_factor[:, None]).sum(axis=1) - (spread**2).sum(axis=1)
    gained = _BEND * sd.astype(np.float64) ** 2 * squares
    own = np.sqrt(np.maximum(np.einsum("fkk->kf", covariance), 0.0)) * sd
    return np.asarray(sd * drawn + gained[:, None].astype(np.float32), np.float32), np.asarray(own, np.float64)


def sample_errors(averages: Averages, common: Floats32, directivity_error: Floats32) -> Floats32:
    """(K, B, 199): what another sample's spread (B, 199) and directivity error (B, 199), growing off the axis, do to the averages."""
    share, away = np.nan_to_num(averages.share), AWAY.astype(np.float64)
    turned, squared = (np.einsum("kcf,c->kf", share, x) for x in (away, away**2))
    bend = (_BEND * (squared - turned**2)).astype(np.float32)[:, None]
    turned32 = turned.astype(np.float32)[:, None]
    return np.asarray(common + turned32 * directivity_error + bend * directivity_error**2, np.float32)
