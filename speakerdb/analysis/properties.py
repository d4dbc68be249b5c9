"""What can be set against each other: the metrics, and the facts price, size, mass and year, in one form."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.analysis.differences import step_on_scale
from speakerdb.analysis.metric_column import FloatArray, MetricColumn
from speakerdb.figures import Quantity
from speakerdb.metric import Better
from speakerdb.statistics.benches import Benches, one_bench

FACTS: dict[str, tuple[str, Better]] = {
    "price": ("Price", "low"),
    "volume_l": ("Outer volume", "low"),
    "mass_kg": ("Mass", "low"),
    "height_mm": ("Height", "low"),
    "width_mm": ("Width", "low"),
    "depth_mm": ("Depth", "low"),
    "year": ("Year", "neither"),
}
LINE_POINTS = 25
LINE_SCHEMA = dict.fromkeys(("x", "fit", "low", "high"), pl.Float64)  # of a line through one property over another
UNITS_OF_LOG = frozenset({"price", "volume_l", "mass_kg", "height_mm", "width_mm", "depth_mm"})


@dataclass(frozen=True, eq=False)
class Property:
    """A metric or a fact of n speakers.

    value (n,): as defined, in the property's own unit, NaN where unknown. se (n,): standard error on the working scale
    (`scaled`), the rounding to the display step included, as in places; 0 of a fact. other_value (unit), other_se
    (scale), other_share (n,): the second branch of a value that is one of two, NaN where it is one. benches: what
    benches add to a comparison. censored (n,): one of metric.CENSORED; reason (n,): why unknown. log: whether
    ratios count; least: what a value is taken to be at least where its logarithm is.
    """

    id: str
    label: str
    quantity: Quantity
    better: Better
    log: bool
    least: float
    value: FloatArray
    se: FloatArray
    other_value: FloatArray
    other_se: FloatArray
    other_share: FloatArray
    benches: Benches
    censored: NDArray[np.str_]
    reason: NDArray[np.object_]

    @property
    def name(self) -> str:
        """The label within a sentence: units in it keep their capitals."""
        return figures.phrase(self.label)

    @property
    def unit(self) -> str:
        return self.quantity.unit

    @property
    def fact(self) -> bool:
        """Whether it is known without error."""
        return self.id in FACTS

    @property
    def known(self) -> NDArray[np.bool_]:
        return np.isfinite(self.value)

    @property
    def exact(self) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = self.known & (self.censored == "none")
        return found

    def scaled(self, values: FloatArray) -> FloatArray:
        """Values on the working scale, which errors and regressions are on: log2 where ratios count."""
        return np.log2(np.maximum(values, self.least)) if self.log else values

    def unscaled(self, values: FloatArray) -> FloatArray:
        return np.exp2(values) if self.log else values


def of_metric(column: MetricColumn) -> Property:
    """A metric: its plain values with their errors. The listeners' scatter about a predicted preference is in none of
    them."""
    m = column.metric
    se = np.hypot(column.se, step_on_scale(m, column.value) / math.sqrt(12.0))
    return Property(
        m.id,
        m.label,
        m.quantity,
        m.better,
        m.scale == "log",
        m.step / 100.0,
        column.value,
        se,
        column.other_value,
        column.other_se,
        column.other_share,
        column.benches,
        np.array(column.censored),
        column.reason,
    )


def of_fact(name: str, column: MetricColumn, currency: str | None = None) -> Property:
    """A fact of the speakers of a column. Prices carry their currency as unit, and why one can't be compared."""
    label, better = FACTS[name]
    quantity = figures.FACTS[name]
    value = column.facts[name].cast(float).to_numpy()
    reason = np.array(["unknown"] * len(column), object)
    if name == "price" and "price_reason" in column.facts.columns:
        reason = np.array([r or "unknown" for r in column.facts["price_reason"]], object)
    none = np.full(len(value), math.nan)
    return Property(
        name,
        label,
        replace(quantity, unit=currency or "") if name == "price" else quantity,
        better,
        name in UNITS_OF_LOG,
        float(np.finfo(float).tiny),
        value,
        np.zeros(len(value)),
        none,
        none,
        none,
        one_bench(len(value)),
        np.full(len(value), "none"),
        reason,
    )
