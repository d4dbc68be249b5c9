"""Speakers against each other, metric by metric: the difference, how sure it is, and whether it matters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import polars as pl

from speakerdb.analysis.metric_column import FloatArray, MetricColumn, off_scale, on_scale
from speakerdb.metric import Metric
from speakerdb.statistics import comparison
from speakerdb.statistics.benches import one_bench
from speakerdb.statistics.comparison import Differences
from speakerdb.statistics.contrasts import Contrast, Measured, best
from speakerdb.statistics.places import Scores

FALSE_DISCOVERIES = 0.05
NOT_WORKED_OUT = "its uncertainty is not worked out"
SCHEMA = {
    "metric": pl.String,
    "unit": pl.String,
    "a": pl.String,
    "setting_a": pl.String,
    "b": pl.String,
    "setting_b": pl.String,
    "value_a": pl.Float64,
    "censored_a": pl.String,
    "value_b": pl.Float64,
    "censored_b": pl.String,
    "difference": pl.Float64,
    "ratio": pl.Boolean,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "q": pl.Float64,
    "differs": pl.Boolean,
    "p_a_better": pl.Float64,
    "matters": pl.String,
    "contrast": pl.String,
    "because": pl.String,
    "reason": pl.String,
}
Sessions = Mapping[
    str, Sequence[Sequence[Measured]]
]  # metric id -> for each row of the columns its sessions with an exact value


def compare(columns: Sequence[MetricColumn], pairs: Sequence[tuple[int, int]], sessions: Sessions) -> pl.DataFrame:
    """Every metric's difference a − b for every pair of rows (i, j); columns as in SCHEMA, in the order given.

    columns share their rows and their target. Each row rests on the contrast of least variance: `contrast` names it,
    value_a and value_b are the means of its sessions. ratio: difference, low and high are a/b, of a metric in which
    ratios count; else a − b in `unit`. low, high are infinite on an open side (of a ratio too), difference is null
    where either side is censored. p belongs to the interval: `differs` where p < 0.05, that is where no difference lies
    outside the interval. q: Benjamini and Hochberg's over all rows of the answer. p_a_better is null where neither
    direction is better. matters: 'yes', 'no', 'unclear' against the dictionary's. reason: why withheld.
    """
    parts = [_one_metric(column, pairs, sessions.get(column.metric.id)) for column in columns]
    frame = pl.DataFrame({name: [x for part in parts for x in part[name]] for name in SCHEMA}, schema=SCHEMA)
    q = comparison.benjamini_hochberg(frame["p"].cast(pl.Float64).fill_null(np.nan).to_numpy())
    return frame.with_columns(q=pl.Series(q).fill_nan(None))


def real(frame: pl.DataFrame) -> int:
    """How many differences of a frame from `compare` are real when 5 % of those may be false: rows of q ≤ 0.05."""
    return int((frame["q"] <= FALSE_DISCOVERIES).sum())


def contrast_of(
    column: MetricColumn, pair: tuple[int, int], sessions: Sequence[Sequence[Measured]] | None
) -> Contrast | None:
    """The contrast of least variance of a pair that is known exactly and has sessions; None where only the pooled
    values stand."""
    i, j = pair
    exact = column.lower == column.upper
    if sessions is None or not (exact[i] and exact[j] and sessions[i] and sessions[j]):
        return None
    of_all = None if _by_sessions(column, pair) else float(_variance_of_all(column, i, j))
    return best(sessions[i], sessions[j], another_unit=column.target == "another_unit", of_all=of_all)


def _by_sessions(column: MetricColumn, pair: tuple[int, int]) -> bool:
    """Whether all sessions, too, are better told by what they share than by the pooled values: of one speaker in two
    settings another unit is the same unit in both."""
    speaker = column.facts["speaker"]
    return column.target == "another_unit" and speaker[pair[0]] == speaker[pair[1]]


def _variance_of_all(column: MetricColumn, i: int, j: int) -> float:
    """Variance of the difference of the pooled values, as ranks have it: both standard errors and what benches add."""
    bench = column.benches.variance(np.array([i]), np.array([j]))[0]
    return float(column.se[i] ** 2 + column.se[j] ** 2 + bench)


def scores_of(column: MetricColumn) -> Scores:
    """The column on its scale, the higher the more."""
    return Scores(
        column.x,
        column.se**2,
        np.where(np.isneginf(column.lower), -np.inf, column.x),
        np.where(
            np.isposinf(column.upper),
            np.inf,
            np.where(column.upper > column.lower, on_scale(column.metric, column.upper), column.x),
        ),
        on_scale(column.metric, column.other_value),
        column.other_se**2,
        column.other_share,
        column.benches,
        step_on_scale(column.metric, column.value),
    )


def step_on_scale(metric: Metric, value: FloatArray) -> FloatArray:
    """The display step on the metric's scale at values in its unit."""
    if metric.scale != "log":
        return np.full(len(value), metric.step)
    return np.asarray(metric.step / (np.log(2.0) * np.maximum(value, metric.step / 100.0)))


def contrasted(metric: Metric, contrasts: Sequence[Contrast]) -> Scores:
    """Scores of both sides of n contrasts, the first sides, then the second ones. What both sides share is given half
    to each: only the sum counts."""
    sides = [c.a for c in contrasts] + [c.b for c in contrasts]
    own = np.array([s.own_variance for s in sides])
    shared = np.tile([c.variance for c in contrasts], 2) - own - np.roll(own, len(contrasts))
    half = np.maximum(shared, 0.0) / 2.0
    x = np.array([s.x for s in sides])
    other_x, other_sd, share = np.array([s.other or (np.nan,) * 3 for s in sides]).T
    return Scores(
        x,
        own + half,
        x,
        x,
        other_x,
        other_sd**2 + half,
        share,
        one_bench(len(x)),
        step_on_scale(metric, off_scale(metric, x)),
    )


@dataclass(frozen=True, eq=False)
class _Judged:
    """Pairs (m,) with their contrasts, both values in the metric's unit and what is to be said of the difference."""

    pairs: list[tuple[int, int]]
    contrasts: list[Contrast | None]
    value_a: FloatArray
    value_b: FloatArray
    found: Differences


def _judged(
    column: MetricColumn, pairs: list[tuple[int, int]], sessions: Sequence[Sequence[Measured]] | None
) -> _Judged:
    i, j = (np.array([pair[side] for pair in pairs], np.int64) for side in (0, 1))
    contrasts = [contrast_of(column, pair, sessions) for pair in pairs]
    found = comparison.differences(scores_of(column), i, j)
    values = [column.value[i], column.value[j]]
    apart = [
        k for k, c in enumerate(contrasts) if c is not None and (c.what != "all" or _by_sessions(column, pairs[k]))
    ]
    if apart:
        chosen = [c for k in apart if (c := contrasts[k]) is not None]
        scores, first = contrasted(column.metric, chosen), np.arange(len(apart))
        own = comparison.differences(scores, first, first + len(apart))
        for field in fields(Differences):
            getattr(found, field.name)[apart] = getattr(own, field.name)
        for side, x in zip(values, np.split(off_scale(column.metric, scores.x), 2), strict=True):
            side[apart] = x
    return _Judged(pairs, contrasts, values[0], values[1], found)


def _one_metric(
    column: MetricColumn, pairs: Sequence[tuple[int, int]], sessions: Sequence[Sequence[Measured]] | None
) -> dict[str, list[Any]]:
    """The columns of SCHEMA for one metric; `q`, which hangs on all rows, still empty."""
    metric, ratio = column.metric, column.metric.scale == "log"
    known = column.known & np.isfinite(column.se)
    kept = [k for k, (i, j) in enumerate(pairs) if known[i] and known[j]]
    judged = _judged(column, [pairs[k] for k in kept], sessions)
    found = judged.found
    numbers = {
        "value_a": judged.value_a,
        "value_b": judged.value_b,
        "difference": off_scale(metric, found.difference),
        "low": np.where(np.isneginf(found.low), -np.inf, off_scale(metric, found.low)),
        "high": off_scale(metric, found.high),
        "p": found.p,
        "p_a_better": {"high": found.above, "low": 1.0 - found.above}.get(metric.better, np.full(len(kept), np.nan)),
    }
    words = {
        "differs": found.differs.tolist(),
        "matters": comparison.matters(found.low, found.high, metric.matters_on_scale).tolist(),
        "contrast": ["all" if c is None else c.what for c in judged.contrasts],
        "because": [because(column, pair, c) for pair, c in zip(judged.pairs, judged.contrasts, strict=True)],
    }

    def spread(values: Sequence[Any]) -> list[Any]:
        full: list[Any] = [None] * len(pairs)
        for k, value in zip(kept, values, strict=True):
            full[k] = value
        return full

    sides = {"a": [pair[0] for pair in pairs], "b": [pair[1] for pair in pairs]}
    censored = column.censored
    return {
        "metric": [metric.id] * len(pairs),
        "unit": [metric.unit] * len(pairs),
        "ratio": [ratio] * len(pairs),
        **{side: column.facts["speaker"][rows].to_list() for side, rows in sides.items()},
        **{f"setting_{side}": column.facts["setting"][rows].to_list() for side, rows in sides.items()},
        **{f"censored_{side}": [censored[row] for row in rows] for side, rows in sides.items()},
        **{name: spread([None if np.isnan(x) else x for x in values.tolist()]) for name, values in numbers.items()},
        **{name: spread(values) for name, values in words.items()},
        "q": [None] * len(pairs),
        "reason": [_reason(column, pair, known) for pair in pairs],
    }


def because(column: MetricColumn, pair: tuple[int, int], contrast: Contrast | None) -> str:
    """What a row rests on, in words."""
    i, j = pair
    unit = (
        "; what samples of one model differ by counts"
        if column.target == "another_unit" and not _by_sessions(column, pair)
        else ""
    )
    if contrast is not None and contrast.what != "all":
        lab = contrast.a.sessions[0].lab
        if contrast.what == "one run":
            return f"one run in {lab}: level and bench were the same for both, so their errors cancel{unit}"
        return f"one lab, {lab}: the bench was the same for both, so its errors cancel{unit}"
    if column.target == "absolute":
        return "all sessions, with what the bench's own error does to each"
    if not (column.benches.tau[i] or column.benches.tau[j]):
        return f"all sessions: the bench's own error doesn't enter{unit}"
    if column.benches.pattern[i] == column.benches.pattern[j]:
        return f"all sessions: the benches were the same for both, so their errors cancel{unit}"
    if contrast is not None and {m.bench for m in contrast.a.sessions} & {m.bench for m in contrast.b.sessions}:
        return f"compared partly within one lab: labs' differences cancel in part{unit}"
    return f"different labs: what their benches differ by counts{unit}"


def _reason(column: MetricColumn, pair: tuple[int, int], judged: np.ndarray[Any, Any]) -> str | None:
    """Why a difference is withheld: the sides that lack a value or its error, each with its reason."""
    speakers = column.facts["speaker"]
    missing = [(speakers[row], column.reason[row] or NOT_WORKED_OUT) for row in pair if not judged[row]]
    if len({reason for _, reason in missing}) == 1 < len(missing):
        return f"both: {missing[0][1]}"
    return "; ".join(f"{speaker}: {reason}" for speaker, reason in missing) or None
