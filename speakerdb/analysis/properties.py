"""What can be set against each other: the metrics, and the facts price, size, mass and year, in one form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.analysis.field import FloatArray, MetricColumn
from speakerdb.dictionary import Better

FACTS: dict[str, tuple[str, str, Better]] = {
    "price": ("Price of a pair", "", "low"), "volume_l": ("Outer volume", "l", "low"), "mass_kg": ("Mass", "kg", "low"),
    "height_mm": ("Height", "mm", "low"), "width_mm": ("Width", "mm", "low"), "depth_mm": ("Depth", "mm", "low"),
    "year": ("Year", "", "neither"),
}  # fmt: skip
UNITS_OF_LOG = frozenset({"price", "volume_l", "mass_kg", "height_mm", "width_mm", "depth_mm"})


@dataclass(frozen=True, eq=False)
class Property:
    """A metric or a fact of n speakers in its own unit.

    draws (n, B): a fact is exact in every draw. value (n,): the corrected value, NaN where unknown; censored (n,): 'none', 'at_most',
    'at_least'; log: whether ratios count; reason (n,): why unknown.
    """

    id: str
    label: str
    unit: str
    better: Better
    log: bool
    decimals: int
    draws: NDArray[np.floating[Any]]
    value: FloatArray
    censored: NDArray[np.str_]
    reason: NDArray[np.object_]

    @property
    def name(self) -> str:
        """The label within a sentence: units in it keep their capitals."""
        return self.label[:1].lower() + self.label[1:]

    @property
    def known(self) -> NDArray[np.bool_]:
        return np.isfinite(self.value)

    @property
    def exact(self) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = self.known & (self.censored == "none")
        return found

    def scaled(self, values: FloatArray) -> FloatArray:
        """Values as regressions take them: log2 where ratios count."""
        return np.log2(np.maximum(values, np.finfo(float).tiny)) if self.log else values

    def unscaled(self, values: FloatArray) -> FloatArray:
        return np.exp2(values) if self.log else values


def of_metric(column: MetricColumn) -> Property:
    """A metric as comparisons take it (a predicted preference with its residual)."""
    m, c = column.metric, column.compared()
    return Property(
        m.id, m.label, m.unit, m.better, m.scale == "log", m.decimals, c.draws, c.corrected, np.array(c.censored),
        column.reason,
    )  # fmt: skip


def of_fact(name: str, column: MetricColumn, currency: str | None = None) -> Property:
    """A fact of the speakers of a column. Prices carry their currency as unit, and why one can't be compared."""
    label, unit, better = FACTS[name]
    value = column.facts[name].cast(float).fill_null(float("nan")).to_numpy()
    unknown = f"{label.split()[-1].lower() if name != 'price' else 'price'} unknown"
    reason = np.array([unknown] * len(column), object)
    if name == "price" and "price_reason" in column.facts.columns:
        reason = np.array([r or unknown for r in column.facts["price_reason"]], object)
    draws = np.broadcast_to(value[:, None], column.draws.shape)
    return Property(
        name, label, (currency or "") if name == "price" else unit, better, name in UNITS_OF_LOG,
        1 if name in ("volume_l", "mass_kg") else 0, draws, value, np.full(len(value), "none"), reason,
    )  # fmt: skip
