"""What a metric is: the row that names, orders, rounds and explains one number; and tables of values.

Units are written as they appear in headings; definitions in one sentence each.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, log2
from typing import TYPE_CHECKING, Literal

from speakerdb import figures
from speakerdb.figures import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Better = Literal["high", "low", "neither"]

# where definitions come from
OWN = "own definition"
CTA = "ANSI/CTA-2034-A (lists and weights from memory)"
OLIVE = "S. E. Olive, AES Convention Paper 6190, 2004 (from memory)"


@dataclass(frozen=True)
class Metric:
    """One metric. `matters` is δ, the difference from which users should care: a ratio where scale is "log"; `step` the display step."""

    id: str
    label: str
    unit: str
    better: Better
    definition: str
    source: str
    step: float
    matters: float
    group: str
    ranked: bool = True  # False: a setting of the measurement or of the amplifier, never ranked
    scale: Literal["linear", "log"] = "linear"
    ripple: bool = False  # noise only adds to it, as a sum of squares
    worst: bool = False  # that of many points which is worst decides: errors carry it to one side only
    two_valued: bool = False  # errors may carry it to another place altogether (a dip at the threshold)
    nature: tuple[float, float] = (-inf, inf)  # where it can lie
    absolute: bool = False  # needs absolute level
    version: int = 2

    @property
    def phrase(self) -> str:
        """The label within a sentence: its first letter small, units and abbreviations as they are."""
        return figures.phrase(self.label)

    @property
    def quantity(self) -> Quantity:
        """How its values are written."""
        return Quantity.stepped(self.unit, self.step, ratio=self.scale == "log")

    @property
    def matters_words(self) -> str:
        """The difference from which on it matters: '0.5 dB', or 'a ratio of 1.12' where ratios count."""
        if self.scale == "log":
            return f"a ratio of {figures.plain(self.matters)}"
        return figures.joined(figures.plain(self.matters), self.unit)

    @property
    def matters_on_scale(self) -> float:
        """The same on the scale that errors and comparisons work on: log2 where ratios count."""
        return log2(self.matters) if self.scale == "log" else self.matters


CENSORED = ("none", "at_most", "at_least")  # the codes 0, 1, 2 of ValueTable.censored


# What stands beside a value in a session and in a speaker's pooled row: the columns of table `uncertainty`, in its order
UNCERTAINTY = (
    "se", "bias", "low", "high", "se_bench", "bias_bench", "low_absolute", "high_absolute", "se_sample", "low_unit", "high_unit",
    "noise_limited", "other_value", "other_se", "other_low", "other_high", "other_share",
)  # fmt: skip
ENDS = (
    "",
    "_absolute",
    "_unit",
)  # of its intervals' names: `low` and `high` for each of analysis.metric_column.TARGETS
SAMPLE = ("sample_down", "sample_up")  # of sessions only: how far a sample's own error may carry a value, on its scale


@dataclass(frozen=True, eq=False)
class ValueTable:
    """Metric values of many sessions, columns in the order of `metrics`.

    value (S, M) NaN where withheld; censored (S, M) int8 codes into CENSORED; reason: (row, metric id) -> why withheld.
    uncertainty: the columns UNCERTAINTY, each (S, M), NaN where there are none; empty until worked out.
    """

    metrics: tuple[str, ...]
    value: NDArray[np.float64]
    censored: NDArray[np.int8]
    reason: dict[tuple[int, str], str]
    uncertainty: dict[str, NDArray[np.float64]] = field(default_factory=dict)

    def with_uncertainty(self, columns: dict[str, NDArray[np.float64]]) -> ValueTable:
        """The same values with their uncertainty."""
        return replace(self, uncertainty=columns)
