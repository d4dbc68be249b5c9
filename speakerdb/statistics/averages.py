"""Errors of the averaged curves drawn directly, without the 72 curves that they are averages of (statistics.md §1).

Linearised: an average of p² moves by Σŵ·ε, where ŵ is the share of each curve in the average; to the second order it moves on
average by (ln 10/20)·(Σŵ·ε² − (Σŵ·ε)²) more, since noise adds power. tests/statistics/test_averages.py holds the result against
draws of all curves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset
from speakerdb.acoustics.curveset import CurveSet
from speakerdb.session import SessionInfo
from speakerdb.statistics.draws import AWAY, MIRRORED, SharedErrors
from speakerdb.statistics.error_model import (
    MODEL_VERSION,
    WIDTH_OCT,
    SharedKeys,
    sd_over_frequency,
    standard_deviation,
)
from speakerdb.statistics.fields import generator, smooth_field

Array = NDArray[np.float64]
_BEND = math.log(10.0) / 20.0  # second-order term of a power average, per dB²


def noisy_averages(level_db: Array, shared: SharedErrors, info: SessionInfo, keys: SharedKeys) -> CurveSet:
    """The curve set of levels (72, 199), each curve (B, 199), with all errors of a session; NaN where an angle is missing."""
    power = curveset.power_of(level_db)
    plain = curveset.curve_set(level_db[None], power[None])
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = [weights[:, None] * power for weights in curveset.WEIGHTS.values()]
        parts = np.stack([_on_axis(power), *(np.where(w == 0.0, 0.0, w) for w in shares)])
        share = parts / np.nansum(parts, axis=1, keepdims=True)  # (5, 72, 199)
    share = np.nan_to_num(share)
    away = AWAY.astype(np.float64)
    turned, squared = (np.einsum("kcf,c->kf", share, x) for x in (away, away**2))
    common = shared.common.astype(np.float64)
    directivity = shared.directivity.astype(np.float64)
    error = common + turned[:, None] * directivity + _BEND * (squared - turned**2)[:, None] * directivity**2
    error += _repeatability(share, info, keys, len(common))
    curves = (plain.on_axis, plain.lw, plain.er, plain.sp, plain.in_room)
    return CurveSet(*(curve + e for curve, e in zip(curves, error, strict=True)))


def _on_axis(power: Array) -> Array:
    alone = np.zeros_like(power)
    alone[curveset.ON_AXIS] = power[curveset.ON_AXIS]
    return alone


def _repeatability(share: Array, info: SessionInfo, keys: SharedKeys, count: int) -> Array:
    """(5, B, 199): the part that differs from curve to curve, with the averages' covariance at each frequency."""
    if info.symmetric:  # ± of the horizontal orbit are one curve, with one error
        mirrored, twins = MIRRORED
        share = share.copy()
        share[:, twins] += share[:, mirrored]
        share[:, mirrored] = 0.0
    sd = sd_over_frequency(standard_deviation(info, "repeatability"))
    covariance = np.einsum("jcf,kcf->fjk", share, share)
    values, vectors = np.linalg.eigh(covariance)
    # the symmetric root, which changes smoothly from one frequency to the next
    half = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.swapaxes(1, 2)
    width = WIDTH_OCT["repeatability"]
    fields = np.stack(
        [smooth_field(generator("averages", f"{keys.session}|{k}", MODEL_VERSION), count, width) for k in range(5)]
    )
    drawn = np.einsum("fjk,kbf->jbf", half, fields)
    gained = _BEND * sd**2 * (1.0 - (share**2).sum(axis=1))
    return np.asarray(sd * drawn + gained[:, None], np.float64)
