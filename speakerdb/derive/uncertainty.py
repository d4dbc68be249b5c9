"""How sure the values of a session are: the metric functions run on 400 noisy versions of its curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset
from speakerdb.derive.measuring import Values, directivity_metrics, response_metrics, slots_of
from speakerdb.session import GridSession
from speakerdb.statistics import draws as drawing
from speakerdb.statistics.error_model import DRAWS, SharedKeys
from speakerdb.statistics.intervals import Uncertain, uncertain

CHUNK = 40  # draws held in memory at once: 40 × 72 × 199 single-precision numbers stay in the cache's reach

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SessionUncertainty:
    """corrected, se, low, high (M,) and draws (M, B) of a session; se_calibration (M,): what the calibration alone does."""

    metrics: tuple[str, ...]
    uncertain: Uncertain
    se_calibration: Array


def session_uncertainty(
    session: GridSession, content_hash: str, metrics: tuple[str, ...], value: Array, *, unit: bool = False
) -> SessionUncertainty:
    """Uncertainty of the given metrics with the session's plain values (M,), NaN where withheld.

    unit: about the unit measured instead of the model (no errors that differ from sample to sample).
    """
    info = session.info
    keys = SharedKeys.of(info, content_hash)
    level = slots_of([session])[0].astype(np.float32)
    shared = drawing.shared_errors(info, keys, unit=unit)
    found = np.full((len(metrics), DRAWS), np.nan)
    for first in range(0, DRAWS, CHUNK):
        last = min(first + CHUNK, DRAWS)
        noisy: NDArray[Any] = drawing.noisy_levels(level, shared, info, keys, first, last)
        _place(found[:, first:last], metrics, _all_metrics(curveset.share_poles(noisy)))
    calibrated = np.full((len(metrics), DRAWS), np.nan)
    _place(calibrated, metrics, _response_only(level, shared.calibration))
    there = ~np.isnan(calibrated).all(axis=1)  # the pattern does not change with the calibration: nothing there
    spread = np.zeros(len(metrics))
    spread[there] = np.nanstd(calibrated[there], axis=1)
    return SessionUncertainty(metrics, uncertain(metrics, value, found), spread)


def _all_metrics(level: Array) -> Values:
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    return response_metrics(level, curves) | directivity_metrics(power, curves)[0]


def _response_only(level: NDArray[Any], error: NDArray[Any]) -> Values:
    """Response metrics with one error (B, 199) added to all curves alike, so that averages need not be formed again."""
    plain = curveset.curve_set(curveset.share_poles(level[None]))
    moved = curveset.CurveSet(
        *(curve + error for curve in (plain.on_axis, plain.lw, plain.er, plain.sp, plain.in_room))
    )
    return response_metrics(level[None] + error[:, None, :], moved)


def _place(into: Array, metrics: tuple[str, ...], values: Values) -> None:
    for row, metric in zip(into, metrics, strict=True):
        if metric in values:
            row[:] = values[metric][0]
