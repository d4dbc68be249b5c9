"""What trends over a quantity and differences between groups have in common: speakers of one maker are alike, and
makers may be few."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.properties import Property
from speakerdb.statistics import clusters, regression
from speakerdb.statistics.benches import Benches
from speakerdb.statistics.regression import Fit

FloatArray = NDArray[np.float64]
LEAST_SPEAKERS = 8
MOST_CENSORED = 0.5
_LEAST_OWN_VARIANCE = 1e-6  # of x that the benches must leave unexplained
_UNALIGNED = 0.5  # of a bench's error: what is left between two benches after an alignment is less
NOT_A_SAMPLE = "the speakers are not a random sample of the market"
HIGHEST_DRIVE = "labs choose the highest drive, so a censored value says as much of the lab as of the speaker"


@dataclass(frozen=True, eq=False)
class Rows:
    """The n speakers of whom all is known: maker (n,) codes; bench (n, r), what their benches have of r errors that no
    alignment has settled; labs, how many; the metric on its working scale, side as in regression.tobit."""

    maker: NDArray[np.int64]
    bench: FloatArray
    labs: int
    y: FloatArray
    side: NDArray[np.int64]

    @classmethod
    def of(cls, c: MetricColumn, y: Property, rows: NDArray[np.int64]) -> Rows:
        side = np.select(
            [np.isin(y.censored[rows], ("at_least", "between")), y.censored[rows] == "at_most"], [1, -1], 0
        )
        names = c.facts["labs"].cast(pl.String).fill_null("").to_numpy()[rows]
        labs = len({name for one in names for name in one.split("+")})
        maker = clusters.codes(c.facts["maker"].to_numpy()[rows])
        return cls(maker, _unaligned(c.benches.take(rows)), labs, y.scaled(y.value[rows]), side)

    @property
    def makers(self) -> int:
        return distinct(self.maker)

    @property
    def censored(self) -> int:
        return int((self.side != 0).sum())

    def too_little(self, what: str) -> str | None:
        """Why there is no such thing as `what`."""
        if len(self.y) < LEAST_SPEAKERS:
            return f"{count(len(self.y), 'speaker')}; at least {LEAST_SPEAKERS} are needed"
        return mostly_bounds(self.side, what)

    def fit(self, x: FloatArray, *, benches: bool) -> Fit | str:
        """On x (n,), already about its mean, with or without fixed effects of the benches; or why not."""
        fixed = self.bench if benches else self.bench[:, :0]
        matrix = np.column_stack([np.ones(len(x)), x, fixed])
        others = np.delete(matrix, 1, axis=1)
        own = x - others @ np.linalg.lstsq(others, x)[0]
        if own @ own <= _LEAST_OWN_VARIANCE * (x @ x) or np.linalg.matrix_rank(matrix) < matrix.shape[1]:
            return "benches and x cannot be told apart: each bench has its own x" if x.any() else "all have the same x"
        if len(x) <= matrix.shape[1] + 1:
            return f"{figures.count(len(x), 'speaker')} on {fixed.shape[1] + 1} benches that are not aligned: too few"
        if self.censored:
            try:
                return regression.tobit(matrix, self.y, self.side, self.maker)[0]
            except (ArithmeticError, np.linalg.LinAlgError):
                return "the censored regression does not converge"
        return regression.least_squares(matrix, self.y, self.maker)

    @property
    def method(self) -> str:
        return "Tobit, maximum likelihood" if self.censored else "least squares"


def _unaligned(benches: Benches) -> FloatArray:
    """(n, r) independent columns that span the benches' errors as far as the metric feels them and no alignment has
    settled them."""
    none = np.zeros((len(benches.pattern), 0))
    if not np.nan_to_num(benches.tau).any():
        return none
    loading = benches.loading[benches.pattern]
    large = loading[:, np.abs(loading).max(axis=0) >= _UNALIGNED]
    if not large.shape[1]:
        return none
    vectors, lengths, _ = np.linalg.svd(large - large.mean(axis=0), full_matrices=False)
    kept = lengths > 1e-9 * np.sqrt(len(loading))
    return np.asarray((vectors * lengths)[:, kept])


def distinct(maker: NDArray[np.int64]) -> int:
    """How many makers stand behind rows."""
    return len(np.unique(maker))


def count(n: int, what: str) -> str:
    """'1 maker', '2 makers'."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def few(df: float, makers: int, others: int | None = None) -> str | None:
    """Why there is no interval: the makers of those told of, or of all others, are too few."""
    if df >= clusters.LEAST_FREEDOM:
        return None
    fewest, whose = (makers, "") if others is None or makers <= others else (others, "all others are of ")
    if fewest < 3:
        return f"{whose}{count(fewest, 'maker')}{' only' if fewest == 2 else ''}"
    return "one maker alone decides it" if df == 0 else f"too few makers to tell: df {figures.number(df, 1)}"


def mostly_bounds(side: NDArray[np.int64], what: str) -> str | None:
    """Why there is no such thing as `what`: over half of the values are bounds."""
    bounds = int((side != 0).sum())
    return f"{_bounds(bounds, len(side))}: too many for {what}" if bounds > MOST_CENSORED * len(side) else None


def _bounds(n: int, of: int) -> str:
    return f"{n} of {of} values {'is a bound' if n == 1 else 'are bounds'}"


def effect(y: Property, change: float) -> float | None:
    """A change on the working scale in the metric's unit, or in per cent where ratios count."""
    return null(100.0 * (2.0**change - 1.0) if y.log else change)


def null(value: float) -> float | None:
    """A number, or None where there is none."""
    return float(value) if np.isfinite(value) else None


def unit(y: Property) -> str:
    """Of `effect`."""
    return "%" if y.log else y.unit


def slope(fit: Fit, y: Property, units: float) -> dict[str, Any]:
    """effect of a change of x by so many units of its working scale, low, high, df and p; None where the makers are too
    few."""
    found = fit.estimates(np.eye(len(fit.coefficient))[1:2])
    rise, half = float(found.value[0]) * units, float(found.half_width[0]) * units
    return {
        "effect": effect(y, rise),
        "low": effect(y, rise - half),
        "high": effect(y, rise + half),
        "df": float(found.df[0]),
        "p": null(found.p[0]),
    }


def unknown(facts: pl.DataFrame, y: Property, x: Property | None, more: pl.Series | None = None) -> pl.DataFrame:
    """speaker, setting, reason of those left out: a property isn't known, or x is a bound; `more` (n,): other
    reasons."""
    reasons: list[str | None] = []
    for i in range(len(facts)):
        words = [f"{p.name}: {p.reason[i] or 'unknown'}" for p in (x, y) if p is not None and not p.known[i]]
        if x is not None and x.known[i] and not x.exact[i]:
            words.append(f"{x.name} is only a bound")
        if more is not None and more[i] is not None:
            words.append(more[i])
        reasons.append("; ".join(words) or None)
    return (
        facts.select("speaker", "setting").with_columns(reason=pl.Series(reasons, dtype=pl.String)).drop_nulls("reason")
    )


def cautions(c: MetricColumn, r: Rows) -> list[str]:
    """What to keep in mind of any of them."""
    drive = f"; {HIGHEST_DRIVE}" if c.metric.group == "output" else ""
    return [NOT_A_SAMPLE, *([_bounds(r.censored, len(r.y)) + drive] if r.censored else [])]
