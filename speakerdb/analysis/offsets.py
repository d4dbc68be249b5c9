"""How much do benches differ in what they say of a speaker? From speakers that two of them have measured, and from
nothing else.

What is learned from it, sizes and offsets over frequency, stands in statistics/learning.py; here are the metrics.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.metrics import METRICS
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.learning import LEAST_SAMPLE_TEXT

LEAST_SHARED = 3  # speakers
OFFSET_SCHEMA = {
    "metric": pl.String,
    "bench_a": pl.String,
    "bench_b": pl.String,
    "speakers": pl.Int64,
    "offset": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "sd": pl.Float64,
    "left": pl.Float64,
    "left_low": pl.Float64,
    "left_high": pl.Float64,
    "unit": pl.String,
    "p": pl.Float64,
    "q": pl.Float64,
    "reason": pl.String,
}
PAIR_SCHEMA = pl.Schema(
    {"bench_a": pl.String(), "bench_b": pl.String(), "speakers": pl.List(pl.String), "same_sample": pl.Int64()}
)
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Measured:
    """One session of a speaker in its default setting: values {metric: value}, exact ones only, as measured; aligned:
    with the bench brought in line with `line`, the bench that it was aligned to (else itself, and the values are the
    same)."""

    speaker: str
    bench: str
    sample: str
    values: Mapping[str, float]
    line: str
    aligned: Mapping[str, float]


@dataclass(frozen=True)
class Shared:
    """A speaker that benches a and b have both measured: the sessions that stand for each, of the same unit where there
    is one."""

    speaker: str
    a: tuple[Measured, ...]
    b: tuple[Measured, ...]
    same_sample: bool


@dataclass(frozen=True, eq=False)
class Labs:
    """offsets: OFFSET_SCHEMA, a row per pair of benches and metric; pairs: PAIR_SCHEMA, a row per pair that shares a
    speaker."""

    offsets: pl.DataFrame
    pairs: pl.DataFrame


def shared(sessions: Sequence[Measured], bench_a: str, bench_b: str) -> list[Shared]:
    """Speakers of both benches, by name; sessions of a common unit where there is one, since then its spread does not
    enter."""
    found = []
    for speaker in sorted({s.speaker for s in sessions}):
        a = tuple(s for s in sessions if s.speaker == speaker and s.bench == bench_a)
        b = tuple(s for s in sessions if s.speaker == speaker and s.bench == bench_b)
        if a and b:
            common = {s.sample for s in a if len(s.sample) >= LEAST_SAMPLE_TEXT} & {s.sample for s in b}
            if common:
                a, b = (tuple(s for s in side if s.sample in common) for side in (a, b))
            found.append(Shared(speaker, a, b, bool(common)))
    return found


def labs(sessions: Sequence[Measured], metrics: Sequence[str], order: Sequence[str]) -> Labs:
    """Every pair of benches that shares a speaker: by how much their values differ as measured, and what is left once
    aligned.

    order: benches, the best known first; each pair is taken as the earlier less the later. offset: mean of a − b over
    the shared speakers (in per cent for metrics on a ratio scale), with Student's t interval; sd: of the differences;
    left: the same mean, with its interval, of the values that aligned benches give, null where the two are not in one
    line. Null with the reason where fewer than three speakers have the metric in both. q counts all rows.
    """
    rows, pairs = [], []
    known = sorted({s.bench for s in sessions}, key=lambda bench: (order.index(bench), bench))
    for bench_a, bench_b in combinations(known, 2):
        both = shared(sessions, bench_a, bench_b)
        if both:
            pairs.append((bench_a, bench_b, [s.speaker for s in both], sum(s.same_sample for s in both)))
            rows += [_offset(both, bench_a, bench_b, metric) for metric in metrics]
    frame = pl.DataFrame(rows, schema=OFFSET_SCHEMA, orient="row")
    q = benjamini_hochberg(frame["p"].fill_null(np.nan).to_numpy()) if len(frame) else np.zeros(0)
    frame = frame.with_columns(q=pl.Series(q, dtype=pl.Float64).fill_nan(None))
    return Labs(frame, pl.DataFrame(pairs, schema=PAIR_SCHEMA, orient="row"))


def _mean_by_sample(sessions: Sequence[Measured], metric: str, *, aligned: bool) -> float:
    """As values are pooled: over the sessions of a sample, then over samples; on the metric's scale; NaN without
    one."""
    by_sample: dict[str, list[float]] = {}
    for s in sessions:
        value = (s.aligned if aligned else s.values).get(metric)
        if value is not None:
            on_scale = float(np.log2(value)) if METRICS[metric].scale == "log" else value
            by_sample.setdefault(s.sample, []).append(on_scale)
    return float(np.mean([np.mean(v) for v in by_sample.values()])) if by_sample else np.nan


def _gaps(both: Sequence[Shared], metric: str, *, aligned: bool) -> FloatArray:
    gaps = [_mean_by_sample(s.a, metric, aligned=aligned) - _mean_by_sample(s.b, metric, aligned=aligned) for s in both]
    return np.array([g for g in gaps if np.isfinite(g)])


def _offset(both: Sequence[Shared], bench_a: str, bench_b: str, metric: str) -> tuple[object, ...]:
    log = METRICS[metric].scale == "log"
    gap, unit = _gaps(both, metric, aligned=False), "%" if log else METRICS[metric].unit
    head = (metric, bench_a, bench_b, len(gap))
    if len(gap) < LEAST_SHARED:
        have = "speaker has" if len(gap) == 1 else "speakers have"
        reason = f"{len(gap)} shared {have} it in both; at least {LEAST_SHARED} are needed"
        return (*head, *[None] * 7, unit, None, None, reason)
    mean, half, p = _student(gap)
    left: list[float | None] = [None] * 3
    in_line = both[0].a[0].line == both[0].b[0].line
    if in_line and len(rest := _gaps(both, metric, aligned=True)) >= LEAST_SHARED:
        rest_mean, rest_half, _ = _student(rest)
        left = [rest_mean, rest_mean - rest_half, rest_mean + rest_half]
    changes = (mean, mean - half, mean + half, float(gap.std(ddof=1)), *left)
    if log:
        changes = tuple(None if c is None else 100.0 * (2.0**c - 1.0) for c in changes)
    return (*head, *changes, unit, p, None, None)


def _student(gap: FloatArray) -> tuple[float, float, float]:
    """Mean, half width of its 95 % interval and p against 0, by Student's t."""
    from scipy.special import stdtr, stdtrit

    n, mean, sd = len(gap), float(gap.mean()), float(gap.std(ddof=1))
    half = float(stdtrit(n - 1, 0.975)) * sd / np.sqrt(n)
    p = 1.0 if sd == 0 and mean == 0 else 0.0 if sd == 0 else float(2 * stdtr(n - 1, -abs(mean) / (sd / np.sqrt(n))))
    return mean, half, p
