"""One metric over the field, as the questions to it take it: draws, values, bounds, labs and facts, a row per speaker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.dictionary import MetricDef
from speakerdb.statistics.error_model import MODEL_VERSION
from speakerdb.statistics.fields import generator

FloatArray = NDArray[np.float64]
FACTS = (
    "speaker", "setting", "maker", "kind", "price", "volume_l", "year", "layout", "enclosure", "mass_kg",
    "sessions", "samples", "labs",
)  # fmt: skip
PREFERENCES = frozenset({"preference", "preference_bass_managed"})
# What the formula leaves unexplained of listeners' ratings (S. E. Olive, AES Convention Paper 6190, 2004; from memory)
PREFERENCE_RESIDUAL = 0.8


@dataclass(frozen=True, eq=False)
class MetricColumn:
    """One metric for n speakers in the metric's own unit; all columns asked for together have the same rows and draws.

    draws (n, B) float32: bias-corrected draws x*, NaN rows where withheld; draw b of every row and metric shares the
    same calibration, sample and run errors, so that differences within a draw cancel them. value (n,): as defined,
    NaN where withheld. corrected (n,): mean of x*. lower, upper (n,): what is known of the value: equal to `corrected` where
    exact, infinite on the open side where censored, NaN where withheld. lab (n,): a speaker's set of labs joined as text.
    reason (n,): why withheld, else None.
    facts: one row per speaker with at least the columns FACTS (price of a pair; nulls where unknown).
    """

    metric: MetricDef
    draws: NDArray[np.float32]
    value: FloatArray
    corrected: FloatArray
    lower: FloatArray
    upper: FloatArray
    lab: NDArray[np.object_]
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
        """'none', 'at_most' or 'at_least' per row."""
        codes = np.where(np.isneginf(self.lower), 1, np.where(np.isposinf(self.upper), 2, 0))
        return cast("list[str]", np.array(["none", "at_most", "at_least"])[codes].tolist())

    def standard_error(self) -> FloatArray:
        """(n,) standard deviation of the draws."""
        se: FloatArray = self.draws.std(axis=1, ddof=1, dtype=np.float64)
        return se

    def interval(self) -> tuple[FloatArray, FloatArray]:
        """(n,), (n,): 2.5 and 97.5 % of the draws; infinite on the open side where censored."""
        low, high = np.percentile(self.draws, (2.5, 97.5), axis=1).astype(np.float64)
        return np.where(np.isneginf(self.lower), -np.inf, low), np.where(np.isposinf(self.upper), np.inf, high)

    def take(self, rows: NDArray[np.integer[Any]] | NDArray[np.bool_] | Sequence[int]) -> MetricColumn:
        """The column of the chosen rows (indices or a mask), in that order."""
        index = np.arange(len(self))[np.asarray(rows)]
        return MetricColumn(
            self.metric, self.draws[index], self.value[index], self.corrected[index], self.lower[index], self.upper[index],
            self.lab[index], self.reason[index], self.facts[index],
        )  # fmt: skip

    def compared(self) -> MetricColumn:
        """The column as every comparison between speakers takes it: the predicted preference with its regression residual.

        The residual is a speaker's, the same in all its settings and in both preferences: it cancels between those.
        """
        if self.metric.id not in PREFERENCES:
            return self
        draws = self.draws.copy()
        for i, speaker in enumerate(self.facts["speaker"].to_list()):
            random = generator("preference residual", speaker, MODEL_VERSION)
            error = np.asarray(random.standard_normal(draws.shape[1], dtype=np.float32))
            draws[i] += np.float32(PREFERENCE_RESIDUAL) * (error - error.mean())
        return replace(self, draws=draws)
