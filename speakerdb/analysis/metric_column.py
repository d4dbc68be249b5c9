"""One metric over the field, as the questions to it take it: values, their errors, bounds, benches and facts, a row per
speaker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.metric import CENSORED, ENDS, Metric
from speakerdb.statistics.benches import Benches
from speakerdb.terms import TARGETS, Target

FloatArray = NDArray[np.float64]
ENDS_OF: dict[Target, str] = dict(zip(TARGETS, ENDS, strict=True))  # of the names of their intervals


def on_scale(metric: Metric, values: NDArray[np.floating[Any]]) -> FloatArray:
    """Values in the metric's unit on the scale that errors and comparisons work on: log2 where ratios count."""
    if metric.scale != "log":
        return np.asarray(values, np.float64)
    return np.asarray(np.log2(np.maximum(values, metric.step / 100.0)), np.float64)


def off_scale(metric: Metric, values: NDArray[np.floating[Any]]) -> FloatArray:
    """The inverse of `on_scale`."""
    return np.asarray(np.exp2(values) if metric.scale == "log" else values, np.float64)


@dataclass(frozen=True, eq=False)
class MetricColumn:
    """One metric for n speakers; all columns asked for together have the same rows.

    value (n,): as defined, in the metric's unit, NaN where withheld. lower, upper (n,): what is known of it: equal to
    `value` where exact, infinite on the open side where censored, apart where it lies between two ends (`value` is the
    lower one), NaN where withheld. low, high (n,): its 95 % interval
    for `target`, in the unit; infinite on an open side, NaN where none. se (n,): standard error on the metric's scale
    (`on_scale`) for `target`, without what benches add to a comparison (that is in `benches`); NaN where not worked
    out. other_value (unit), other_se (scale), other_share (n,): the second branch of a value that is one of two, NaN
    where it is one; `value` and `se` are then those of the branch that it lies in. reason (n,): why withheld, else
    None. facts: one row per speaker: speaker, setting, maker, labs (joined names) and what there is to set a metric
    against: kind, price, year, … (nulls where unknown).
    """

    metric: Metric
    target: Target
    value: FloatArray
    lower: FloatArray
    upper: FloatArray
    low: FloatArray
    high: FloatArray
    se: FloatArray
    other_value: FloatArray
    other_se: FloatArray
    other_share: FloatArray
    benches: Benches
    reason: NDArray[np.object_]
    facts: pl.DataFrame

    def __len__(self) -> int:
        return len(self.value)

    @property
    def known(self) -> NDArray[np.bool_]:
        """(n,) True where the value is not withheld."""
        return np.isfinite(self.value)

    @property
    def censored(self) -> list[str]:
        """One of metric.CENSORED per row."""
        codes = np.select([np.isneginf(self.lower), np.isposinf(self.upper), self.lower < self.upper], [1, 2, 3], 0)
        return cast("list[str]", np.array(CENSORED)[codes].tolist())

    @property
    def x(self) -> FloatArray:
        """(n,) values on the metric's scale."""
        return on_scale(self.metric, self.value)

    def take(self, rows: NDArray[np.integer[Any]] | NDArray[np.bool_] | Sequence[int]) -> MetricColumn:
        """The column of the chosen rows (indices or a mask), in that order."""
        index = np.arange(len(self))[np.asarray(rows)]
        arrays = {name: getattr(self, name)[index] for name in _ARRAYS}
        return replace(self, benches=self.benches.take(index), facts=self.facts[index], **arrays)


_ARRAYS = (
    "value",
    "lower",
    "upper",
    "low",
    "high",
    "se",
    "other_value",
    "other_se",
    "other_share",
    "reason",
)
