"""How much do labs differ? From speakers that two labs have both measured, and from nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.dictionary import METRICS
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.error_model import DEFAULT_SD, WIDTH_OCT, sd_over_frequency

LEAST_SHARED = 3  # speakers
PRIOR_FREEDOM = 8.0  # degrees of freedom that the error model's own sd counts for
_ALIGN_HZ, _JUDGED_HZ = (300.0, 3000.0), (100.0, 10000.0)
OFFSET_SCHEMA = {
    "metric": pl.String, "lab_a": pl.String, "lab_b": pl.String, "speakers": pl.Int64, "offset": pl.Float64, "low": pl.Float64,
    "high": pl.Float64, "sd": pl.Float64, "unit": pl.String, "p": pl.Float64, "q": pl.Float64, "reason": pl.String,
}  # fmt: skip
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Measured:
    """One session of a speaker in its default setting: values {metric: value}, exact ones only; listening window (199,), NaN
    where it was not measured."""

    speaker: str
    lab: str
    sample: str
    values: dict[str, float]
    listening_window: FloatArray


@dataclass(frozen=True, eq=False)
class Shared:
    """A speaker that labs a and b have both measured: the sessions that stand for each, of the same sample where there is one."""

    speaker: str
    a: tuple[Measured, ...]
    b: tuple[Measured, ...]
    same_sample: bool


@dataclass(frozen=True, eq=False)
class CurveSpread:
    """What the listening windows of two labs tell, lab a − lab b, levels set equal over 300 Hz–3 kHz.

    offset_db, low_db, high_db (199,): mean difference with its 95 % interval per frequency, NaN where fewer than three have it.
    calibration_sd_db: sd of one lab's calibration as the offset shows it, 100 Hz–10 kHz; spread_sd_db: sd of one measurement about the
    offset. Beside each the sd that the error model takes and the shrunk one, (8·s0² + ν·ŝ²)/(8 + ν).
    """

    lab_a: str
    lab_b: str
    speakers: tuple[str, ...]
    same_sample: int
    offset_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    calibration_sd_db: float
    calibration_model_db: float
    calibration_shrunk_db: float
    spread_sd_db: float
    spread_model_db: float
    spread_shrunk_db: float


@dataclass(frozen=True, eq=False)
class Labs:
    """offsets: OFFSET_SCHEMA, a row per pair of labs and metric; curves: a CurveSpread per pair with enough; pairs: lab_a, lab_b,
    speakers in common."""

    offsets: pl.DataFrame
    curves: tuple[CurveSpread, ...]
    pairs: pl.DataFrame


def shared(sessions: Sequence[Measured], lab_a: str, lab_b: str) -> list[Shared]:
    """Speakers of both labs, by name; sessions of a common sample where there is one, since then its spread does not enter."""
    found = []
    for speaker in sorted({s.speaker for s in sessions}):
        a = tuple(s for s in sessions if s.speaker == speaker and s.lab == lab_a)
        b = tuple(s for s in sessions if s.speaker == speaker and s.lab == lab_b)
        if a and b:
            common = {s.sample for s in a} & {s.sample for s in b}
            if common:
                a, b = (tuple(s for s in side if s.sample in common) for side in (a, b))
            found.append(Shared(speaker, a, b, bool(common)))
    return found


def labs(sessions: Sequence[Measured], metrics: Sequence[str]) -> Labs:
    """Every pair of labs: how many speakers they share, by how much their values and curves differ.

    offset: mean of a − b over the shared speakers (in per cent for metrics on a ratio scale), with Student's t interval; sd: of the
    differences. Null with the reason where fewer than three speakers have the metric in both. q counts all rows.
    """
    rows, curves, pairs = [], [], []
    for lab_a, lab_b in combinations(sorted({s.lab for s in sessions}), 2):
        both = shared(sessions, lab_a, lab_b)
        pairs.append((lab_a, lab_b, [s.speaker for s in both]))
        if not both:
            continue
        rows += [_offset(both, lab_a, lab_b, metric) for metric in metrics]
        if (found := _curves(both, lab_a, lab_b)) is not None:
            curves.append(found)
    frame = pl.DataFrame(rows, schema=OFFSET_SCHEMA, orient="row")
    q = benjamini_hochberg(frame["p"].fill_null(np.nan).to_numpy()) if len(frame) else np.zeros(0)
    return Labs(
        frame.with_columns(q=pl.Series(q, dtype=pl.Float64).fill_nan(None)), tuple(curves),
        pl.DataFrame(pairs, schema={"lab_a": pl.String, "lab_b": pl.String, "speakers": pl.List(pl.String)}, orient="row"),
    )  # fmt: skip


def _mean_by_sample(sessions: Sequence[Measured], metric: str) -> float | None:
    """As values are pooled: over the sessions of a sample, then over samples; on the working scale."""
    by_sample: dict[str, list[float]] = {}
    for s in sessions:
        if metric in s.values:
            value = s.values[metric]
            by_sample.setdefault(s.sample, []).append(
                float(np.log2(value)) if METRICS[metric].scale == "log" else value
            )
    return float(np.mean([np.mean(v) for v in by_sample.values()])) if by_sample else None


def _offset(both: Sequence[Shared], lab_a: str, lab_b: str, metric: str) -> tuple[object, ...]:
    from scipy.special import stdtr, stdtrit

    log = METRICS[metric].scale == "log"
    pairs = [(_mean_by_sample(s.a, metric), _mean_by_sample(s.b, metric)) for s in both]
    gap = np.array([a - b for a, b in pairs if a is not None and b is not None])
    n, unit = len(gap), "%" if log else METRICS[metric].unit
    if n < LEAST_SHARED:
        reason = (
            f"{n} shared {'speaker has' if n == 1 else 'speakers have'} it in both; at least {LEAST_SHARED} are needed"
        )
        return (metric, lab_a, lab_b, n, None, None, None, None, unit, None, None, reason)
    mean, sd = float(gap.mean()), float(gap.std(ddof=1))
    half = float(stdtrit(n - 1, 0.975)) * sd / np.sqrt(n)
    p = 1.0 if sd == 0 and mean == 0 else 0.0 if sd == 0 else float(2 * stdtr(n - 1, -abs(mean) / (sd / np.sqrt(n))))

    def shown(change: float) -> float:
        return 100.0 * (2.0**change - 1.0) if log else change

    return (
        metric,
        lab_a,
        lab_b,
        n,
        shown(mean),
        shown(mean - half),
        shown(mean + half),
        shown(sd),
        unit,
        p,
        None,
        None,
    )


def shrunk(sd: float, freedom: float, model: float) -> float:
    """The error model's sd moved towards the one seen: √((8·s0² + ν·ŝ²)/(8 + ν)).

    >>> round(shrunk(1.0, 8.0, 0.5), 3)
    0.791
    """
    return float(np.sqrt((PRIOR_FREEDOM * model**2 + freedom * sd**2) / (PRIOR_FREEDOM + freedom)))


def _curves(both: Sequence[Shared], lab_a: str, lab_b: str) -> CurveSpread | None:
    from scipy.special import stdtrit

    gaps, names, same = [], [], 0
    align = grid.band(*_ALIGN_HZ)
    for s in both:
        gap = np.mean([m.listening_window for m in s.a], axis=0) - np.mean([m.listening_window for m in s.b], axis=0)
        if np.isfinite(gap[align]).all():
            gaps.append(gap - gap[align].mean())
            names.append(s.speaker)
            same += s.same_sample
    n = len(gaps)
    if n < LEAST_SHARED:
        return None
    found = np.array(gaps)
    known = np.isfinite(found).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        offset = np.where(known >= LEAST_SHARED, np.nansum(found, axis=0) / known, np.nan)
        variance = np.nansum((found - offset) ** 2, axis=0) / (known - 1)
        half = stdtrit(np.maximum(known - 1, 1), 0.975) * np.sqrt(variance / known)
    judged = np.zeros(len(offset), bool)
    judged[grid.band(*_JUDGED_HZ)] = True
    judged &= np.isfinite(offset)
    spread = float(np.sqrt(variance[judged].mean() / 2.0))  # of one measurement: two differ
    # the offset holds two calibrations, and the noise of the mean
    calibration = float(np.sqrt(max(float((offset[judged] ** 2 - variance[judged] / n).mean()) / 2.0, 0.0)))
    calibration_model = float(np.sqrt((sd_over_frequency(DEFAULT_SD["calibration"])[judged] ** 2).mean()))
    spread_model = _spread_model(same / n)
    octaves = float(np.log2(_JUDGED_HZ[1] / _JUDGED_HZ[0]))
    freedom = octaves / WIDTH_OCT["calibration"]  # independent stretches of one offset curve
    return CurveSpread(
        lab_a, lab_b, tuple(names), same, offset, offset - half, offset + half,
        calibration, calibration_model, shrunk(calibration, freedom, calibration_model),
        spread, spread_model, shrunk(spread, (n - 1) * octaves / WIDTH_OCT["sample_spread"], spread_model),
    )  # fmt: skip


def _spread_model(same_share: float) -> float:
    """The error model's sd of one listening window about the labs' offset: repeatability, and sample spread where samples differ."""
    repeat, sample = (float(sd_over_frequency(DEFAULT_SD[part]).mean()) for part in ("repeatability", "sample_spread"))
    return float(
        np.sqrt(repeat**2 / 9.0 + (1.0 - same_share) * sample**2)
    )  # nine curves with errors of their own make a listening window
