"""How sure the values of a session are: the metric functions run on 400 noisy versions of its curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset
from speakerdb.acoustics.output import LEVEL_BAND
from speakerdb.derive.measuring import averaged_metrics, directivity_metrics, response_metrics, slots_of
from speakerdb.derive.strained import output_draws
from speakerdb.derive.strength import Response, Values
from speakerdb.dictionary import METRICS
from speakerdb.session import GridSession
from speakerdb.statistics import draws as drawing
from speakerdb.statistics.averages import noisy_averages
from speakerdb.statistics.error_model import DRAWS, SharedKeys
from speakerdb.statistics.intervals import Uncertain, uncertain

CHUNK = 40  # draws held in memory at once: 40 × 72 × 199 single-precision numbers stay in the cache's reach

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SessionUncertainty:
    """corrected, se, low, high (M,) and draws (M, B) of a session; se_calibration (M,): what the calibration alone does.

    noise: curve name -> (199,) standard deviation in dB of what the session does not share with all its curves alike
    (beamwidths as 20·log10): repeatability and the sample's directivity.
    """

    metrics: tuple[str, ...]
    uncertain: Uncertain
    se_calibration: Array
    noise: dict[str, NDArray[np.float32]]


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
    own_noise = _Spread()
    windows: list[Array] = []
    for first in range(0, DRAWS, CHUNK):
        last = min(first + CHUNK, DRAWS)
        noisy: NDArray[Any] = drawing.noisy_levels(level, shared, info, keys, first, last)
        values, curves = _all_metrics(curveset.share_poles(noisy))
        _place(found[:, first:last], metrics, values)
        own_noise.add(curves, shared.common[first:last])
        windows.append(curves["listening_window"])
    if session.compression is not None or session.distortion is not None or not info.powered:
        lw, column = np.concatenate(windows), {m: j for j, m in enumerate(metrics)}
        window = Response(lw, found[column["reference_level_db"]], found[column["f6_hz"]])
        _place(found, metrics, output_draws(session, keys, shared, window))
    calibrated = np.full((len(metrics), DRAWS), np.nan)
    _place(calibrated, metrics, _response_only(level, shared.calibration))
    there = ~np.isnan(calibrated).all(axis=1)  # the pattern does not change with the calibration: nothing there
    spread = np.zeros(len(metrics))
    spread[there] = np.nanstd(calibrated[there], axis=1)
    for j, metric in enumerate(metrics):
        if METRICS[metric].group == "output" and METRICS[metric].unit.startswith("dB"):
            spread[j] = shared.calibration[:, LEVEL_BAND].mean(axis=1).std()  # levels move with the mean error there
    return SessionUncertainty(metrics, uncertain(metrics, value, found), spread, own_noise.sd())


def averaged_uncertainty(session: GridSession, content_hash: str, metrics: tuple[str, ...], value: Array) -> Uncertain:
    """The same for what needs the averaged curves alone, NaN for all other metrics: about a tenth of the work.

    The averages' errors are drawn directly (statistics.averages), so the numbers differ a little from `session_uncertainty`'s.
    """
    keys = SharedKeys.of(session.info, content_hash)
    shared = drawing.shared_errors(session.info, keys)
    curves = noisy_averages(slots_of([session])[0], shared, session.info, keys)
    found = np.full((len(metrics), DRAWS), np.nan)
    _place(found, metrics, averaged_metrics(curves))
    return uncertain(metrics, value, found)


def _all_metrics(level: Array) -> tuple[Values, dict[str, Array]]:
    """The metrics of noisy levels, and the curves that relatives are found by."""
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    pattern, widths = directivity_metrics(power, curves)
    with np.errstate(divide="ignore"):
        beams = {name: 20.0 * np.log10(width) for name, width in widths.items() if name.startswith("beamwidth")}
    matched = {"listening_window": curves.lw, "in_room": curves.in_room, "di_power": curves.di_power, **beams}
    return response_metrics(level, curves) | pattern, matched


class _Spread:
    """Running sums for the standard deviation of curves over draws, the errors common to all curves taken off."""

    def __init__(self) -> None:
        self._sums: dict[str, tuple[Array, Array]] = {}
        self._count = 0

    def add(self, curves: dict[str, Array], common: NDArray[np.float32]) -> None:
        for name, curve in curves.items():
            rest = curve - common if name in {"listening_window", "in_room"} else curve
            first, second = self._sums.get(name, (np.zeros(rest.shape[1]), np.zeros(rest.shape[1])))
            self._sums[name] = first + rest.sum(axis=0), second + (rest.astype(np.float64) ** 2).sum(axis=0)
        self._count += len(common)

    def sd(self) -> dict[str, NDArray[np.float32]]:
        n = self._count
        return {
            name: np.sqrt(np.maximum(second / n - (first / n) ** 2, 0.0)).astype(np.float32)
            for name, (first, second) in self._sums.items()
        }


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
            row[:] = values[metric].value
