"""Made-up metric columns: values, errors of known size, branches, benches and facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from speakerdb.analysis.metric_column import MetricColumn, off_scale, on_scale
from speakerdb.metrics import METRICS
from speakerdb.statistics.benches import Benches, one_bench
from speakerdb.terms import Target


def column(
    metric: str,
    value: Sequence[float],
    *,
    se: float | Sequence[float] = 0.3,
    benches: Benches | None = None,
    branches: Mapping[int, tuple[float, float, float]] | None = None,
    at_least: Sequence[int] = (),
    at_most: Sequence[int] = (),
    withheld: Sequence[int] = (),
    target: Target = "as_measured",
    **facts: Sequence[object],
) -> MetricColumn:
    """Speakers named a, b, …, each with the interval value ± 1.96·se on the metric's scale.

    se: on that scale (octaves where ratios count). branches: row -> (other value, its se, its share), that of `value`
    being the rest. benches: all from one where not given. at_least, at_most, withheld: rows so known. facts replace the
    made-up ones.
    """
    m, x = METRICS[metric], np.asarray(value, float).copy()
    n = len(x)
    spread = np.broadcast_to(np.asarray(se, float), n).copy()
    scaled = on_scale(m, x)
    lower, upper = x.copy(), x.copy()
    low, high = off_scale(m, scaled - 1.96 * spread), off_scale(m, scaled + 1.96 * spread)
    upper[list(at_least)] = high[list(at_least)] = np.inf
    lower[list(at_most)] = low[list(at_most)] = -np.inf
    other = np.full((3, n), np.nan)
    for row, branch in (branches or {}).items():
        other[:, row] = branch
    gone = np.zeros(n, bool)
    gone[list(withheld)] = True
    for array in (x, lower, upper, low, high, spread, *other):
        array[gone] = np.nan
    names = [f"{chr(97 + i // 26)}{chr(97 + i % 26)}" if n > 26 else chr(97 + i) for i in range(n)]
    defaults: dict[str, Sequence[object]] = {
        "speaker": names,
        "setting": ["plain"] * n,
        "maker": names,
        "kind": ["bookshelf"] * n,
        "price": [500.0] * n,
        "volume_l": [10.0] * n,
        "year": [2020] * n,
        "layout": ["two-way"] * n,
        "enclosure": ["vented"] * n,
        "mass_kg": [8.0] * n,
        "labs": ["shed"] * n,
    }
    reason = np.array(["not measured" if g else None for g in gone], object)
    return MetricColumn(
        m,
        target,
        x,
        lower,
        upper,
        low,
        high,
        spread,
        *other,
        one_bench(n) if benches is None else benches,
        reason,
        pl.DataFrame({**defaults, **facts}),
    )
