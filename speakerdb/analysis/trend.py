"""Did it change over the years, with price, with size? Do the kinds differ? One row per speaker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis.properties import Property
from speakerdb.errors import RequestError
from speakerdb.statistics import groups, regression
from speakerdb.statistics.comparison import benjamini_hochberg
from speakerdb.statistics.fields import generator
from speakerdb.statistics.regression import Fit

GROUPINGS = ("kind", "layout", "enclosure")
LEAST_SPEAKERS, LEAST_MAKERS, FEW_MAKERS, LEAST_IN_GROUP = 8, 3, 10, 3
MOST_CENSORED = 0.5
LEAST_RELIABILITY = 0.9
LINE_POINTS = 25
_LEAST_OWN_VARIANCE = 1e-6  # of x that the labs must leave unexplained
NOT_A_SAMPLE = "the speakers are not a random sample of the market"
NOMINAL = "prices are nominal: money's worth changed over the years"
HIGHEST_DRIVE = "labs choose the highest drive, so a censored value says as much of the lab as of the speaker"
SLOPE_SCHEMA = {
    "metric": pl.String, "over": pl.String, "speakers": pl.Int64, "makers": pl.Int64, "labs": pl.Int64, "censored": pl.Int64,
    "effect": pl.Float64, "low": pl.Float64, "high": pl.Float64, "unit": pl.String, "per": pl.String,
    "p": pl.Float64, "q": pl.Float64, "theil_sen": pl.Float64, "reliability": pl.Float64, "method": pl.String, "reason": pl.String,
}  # fmt: skip
GROUP_SCHEMA = {
    "metric": pl.String, "over": pl.String, "group": pl.String, "speakers": pl.Int64, "makers": pl.Int64, "censored": pl.Int64,
    "median": pl.Float64, "median_low": pl.Float64, "median_high": pl.Float64,
    "difference": pl.Float64, "low": pl.Float64, "high": pl.Float64, "unit": pl.String, "p": pl.Float64, "q": pl.Float64,
    "hedges_g": pl.Float64, "cliffs_delta": pl.Float64, "p_all_groups": pl.Float64, "method": pl.String, "reason": pl.String,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Trend:
    """slopes (SLOPE_SCHEMA) over a quantity, or groups (GROUP_SCHEMA) over a grouping, the other empty; points: speaker, x, y, censored;
    line: x, fit, low, high; unknown: speaker, setting, reason; cautions."""

    slopes: pl.DataFrame
    groups: pl.DataFrame
    points: pl.DataFrame
    line: pl.DataFrame
    unknown: pl.DataFrame
    cautions: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Rows:
    """The speakers of whom all is known: maker, lab (n,) and the metric on its working scale, side as in regression.tobit.

    lab: a code per set of labs that a speaker was measured by; labs: how many labs there are in all.
    """

    maker: NDArray[Any]
    lab: NDArray[np.int64]
    labs: int
    y: NDArray[np.float64]
    side: NDArray[np.int64]

    @classmethod
    def of(cls, facts: pl.DataFrame, y: Property, rows: NDArray[np.int64]) -> _Rows:
        side = np.select([y.censored[rows] == "at_least", y.censored[rows] == "at_most"], [1, -1], 0)
        sets = facts["labs"].cast(pl.String).fill_null("").to_numpy()[rows]
        labs = len({name for one in sets for name in one.split("+")})
        return cls(facts["maker"].to_numpy()[rows], groups.labels(sets), labs, y.scaled(y.value[rows]), side)

    @property
    def makers(self) -> int:
        return len(np.unique(self.maker.astype(str)))

    @property
    def censored(self) -> int:
        return int((self.side != 0).sum())

    def too_little(self) -> str | None:
        if len(self.y) < LEAST_SPEAKERS:
            return f"{len(self.y)} speakers; at least {LEAST_SPEAKERS} are needed"
        if self.makers < LEAST_MAKERS:
            return f"{self.makers} makers; at least {LEAST_MAKERS} are needed"
        if self.censored > MOST_CENSORED * len(self.y):
            return f"{self.censored} of {len(self.y)} values are bounds: too many for a trend"
        return None

    def fit(self, x: NDArray[np.float64]) -> Fit | str:
        """On x (n,), already about its mean, with fixed effects of the labs; or why not."""
        labs = [(self.lab == one).astype(float) for one in np.unique(self.lab)[1:]]
        matrix = np.column_stack([np.ones(len(x)), x, *(column - column.mean() for column in labs)])
        others = np.delete(matrix, 1, axis=1)
        own = x - others @ np.linalg.lstsq(others, x)[0]
        if own @ own <= _LEAST_OWN_VARIANCE * (x @ x) or np.linalg.matrix_rank(matrix) < matrix.shape[1]:
            return "all have the same x" if not x.any() else "labs and x cannot be told apart: each lab has its own x"
        if len(x) <= matrix.shape[1] + 1:
            return f"{len(x)} speakers in {self.labs} labs: too few"
        if self.censored:
            try:
                return regression.tobit(matrix, self.y, self.side, self.maker)[0]
            except (ArithmeticError, np.linalg.LinAlgError):
                return "the censored regression does not converge"
        return regression.least_squares(matrix, self.y, self.maker)

    @property
    def method(self) -> str:
        base = "Tobit, maximum likelihood" if self.censored else "least squares"
        return base + (", labs as fixed effects" if len(np.unique(self.lab)) > 1 else "")


def _effect(y: Property, change: float) -> float:
    """A change on the working scale in the metric's unit, or in per cent where ratios count."""
    return 100.0 * (2.0**change - 1.0) if y.log else change


def _unit(y: Property) -> str:
    return "%" if y.log else y.unit


def _per(x: Property) -> tuple[str, float]:
    """What a slope is given per, and how many units of the working scale that is."""
    if x.log:
        return f"doubling of {x.name}", 1.0
    return ("10 years", 10.0) if x.id == "year" else (f"1 {x.unit}", 1.0)


def over_quantity(facts: pl.DataFrame, y: Property, x: Property) -> Trend:
    """The slope of y over x with its 95 % interval, clustered by maker, and Theil-Sen's beside it."""
    rows = np.flatnonzero(x.exact & y.known)
    r = _Rows.of(facts, y, rows)
    sx = x.scaled(x.value[rows])
    middle = float(sx.mean()) if len(sx) else 0.0
    per, units = _per(x)
    row: dict[str, Any] = {
        "metric": y.id, "over": x.id, "speakers": len(rows), "makers": r.makers, "labs": r.labs, "censored": r.censored,
        "unit": _unit(y), "per": per, "method": r.method,
    }  # fmt: skip
    fit = r.too_little() or r.fit(sx - middle)
    line = pl.DataFrame(schema=dict.fromkeys(("x", "fit", "low", "high"), pl.Float64))
    if isinstance(fit, str):
        row["reason"] = fit
    else:
        slope, half = float(fit.coefficient[1]), float(fit.half_width(fit.se(1)))
        row |= {"effect": _effect(y, slope * units), "low": _effect(y, (slope - half) * units), "high": _effect(y, (slope + half) * units), "p": fit.p(1)}  # fmt: skip
        if not r.censored:
            sen = regression.theil_sen(sx, r.y, generator("theil-sen pairs", f"{x.id}|{y.id}", 1))
            row["theil_sen"] = _effect(y, sen * units)
        line = _line(fit, sx, middle, x, y)
    row["reliability"] = _reliability(x, rows)
    points = pl.DataFrame({"speaker": facts["speaker"][rows], "x": x.value[rows], "y": y.value[rows], "censored": y.censored[rows].tolist()})  # fmt: skip
    cautions = _cautions(r, price=x.id == "price")
    if row["reliability"] is not None and row["reliability"] < LEAST_RELIABILITY:
        cautions.append(f"{100 * (1 - row['reliability']):.0f} % of the variance of {x.name} is measurement error: the slope is too flat by about as much")  # fmt: skip
    return Trend(pl.DataFrame([row], schema=SLOPE_SCHEMA), pl.DataFrame(schema=GROUP_SCHEMA), points, line, _unknown(facts, y, x), tuple(cautions))  # fmt: skip


def _line(fit: Fit, sx: NDArray[np.float64], middle: float, x: Property, y: Property) -> pl.DataFrame:
    at = np.linspace(sx.min(), sx.max(), LINE_POINTS)
    basis = np.column_stack([np.ones(LINE_POINTS), at - middle])
    height: NDArray[np.float64] = (basis @ fit.coefficient[:2]).astype(np.float64)
    half = fit.half_width(np.sqrt(np.einsum("ij,jk,ik->i", basis, fit.covariance[:2, :2], basis)))
    return pl.DataFrame({"x": x.unscaled(at), "fit": y.unscaled(height), "low": y.unscaled(height - half), "high": y.unscaled(height + half)})  # fmt: skip


def _reliability(x: Property, rows: NDArray[np.int64]) -> float | None:
    """Of a measured x; None for a fact."""
    se = x.draws[rows].std(axis=1)
    if len(rows) < 2 or not se.any():
        return None
    slope = 1.0 / (np.log(2.0) * x.value[rows]) if x.log else 1.0
    return regression.reliability(x.scaled(x.value[rows]), se * slope)


def over_groups(facts: pl.DataFrame, y: Property, grouping: str) -> Trend:
    """Each group's median, and how it differs from all others together. Raises RequestError for an unknown grouping."""
    if grouping not in GROUPINGS:
        raise RequestError(f"{grouping!r} is no grouping; there are {', '.join(GROUPINGS)}")
    name = facts[grouping].cast(pl.String)
    rows = np.flatnonzero(y.known & name.is_not_null().to_numpy())
    r = _Rows.of(facts, y, rows)
    member = name.to_numpy()[rows].astype(str)
    names, size = np.unique(member, return_counts=True)
    usable = names[size >= LEAST_IN_GROUP]
    p_all = _all_groups(r, member, usable)
    found = [{"metric": y.id, "over": grouping, "unit": _unit(y), "p_all_groups": p_all, **_group(r, y, member == one, one)} for one in names[np.argsort(-size, kind="stable")]]  # fmt: skip
    points = pl.DataFrame({"speaker": facts["speaker"][rows], "x": member.tolist(), "y": y.value[rows], "censored": y.censored[rows].tolist()})  # fmt: skip
    missing = pl.Series([None if known else f"{grouping} unknown" for known in name.is_not_null()], dtype=pl.String)
    return Trend(
        pl.DataFrame(schema=SLOPE_SCHEMA), pl.DataFrame(found, schema=GROUP_SCHEMA), points,
        pl.DataFrame(schema=dict.fromkeys(("x", "fit", "low", "high"), pl.Float64)),
        _unknown(facts, y, None, missing), tuple(_cautions(r, price=False)),
    )  # fmt: skip


def _one_sided(side: NDArray[np.int64]) -> int | None:
    """1 where values are only exact or at least, −1 where only exact or at most, None where both bounds occur."""
    if (side > 0).any() and (side < 0).any():
        return None
    return -1 if (side < 0).any() else 1


def _all_groups(r: _Rows, member: NDArray[np.str_], usable: NDArray[np.str_]) -> float | None:
    kept = np.isin(member, usable)
    way = _one_sided(r.side[kept])
    if len(usable) < 2 or way is None:
        return None
    return groups.peto_prentice(way * r.y[kept], r.side[kept] != 0, groups.labels(member[kept]))[1]


def _group(r: _Rows, y: Property, mine: NDArray[np.bool_], name: str) -> dict[str, Any]:
    """One group against all others together."""
    own = r.side[mine]
    row: dict[str, Any] = {
        "group": name, "speakers": int(mine.sum()), "makers": len(np.unique(r.maker[mine].astype(str))),
        "censored": int((own != 0).sum()), "method": r.method,
    }  # fmt: skip
    way = _one_sided(own)
    if way is not None:
        middle = way * np.array(groups.median(way * r.y[mine], own != 0))
        middle[1:] = np.sort(middle[1:])
        at = [float(v) if np.isfinite(v) else None for v in y.unscaled(middle)] if np.isfinite(r.y[mine]).all() else []
        row |= dict(zip(("median", "median_low", "median_high"), [v if v is None or np.isfinite(v) else None for v in at], strict=False))  # fmt: skip
    lower, upper = np.where(r.side < 0, -np.inf, r.y), np.where(r.side > 0, np.inf, r.y)
    row["cliffs_delta"] = _null(groups.cliffs_delta(lower[mine], upper[mine], lower[~mine], upper[~mine]))
    if not r.censored:
        row["hedges_g"] = _null(groups.hedges_g(r.y[mine], r.y[~mine]))
    few = min(int(mine.sum()), int((~mine).sum())) < LEAST_IN_GROUP
    fit = r.too_little() or (f"fewer than {LEAST_IN_GROUP} speakers on one side" if few else r.fit(mine - mine.mean()))
    if isinstance(fit, str):
        return row | {"reason": fit}
    change, half = float(fit.coefficient[1]), float(fit.half_width(fit.se(1)))
    return row | {"difference": _effect(y, change), "low": _effect(y, change - half), "high": _effect(y, change + half), "p": fit.p(1)}  # fmt: skip


def _null(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _unknown(facts: pl.DataFrame, y: Property, x: Property | None, more: pl.Series | None = None) -> pl.DataFrame:
    reasons: list[str | None] = []
    for i in range(len(facts)):
        words = [f"{p.name}: {p.reason[i] or 'unknown'}" for p in (x, y) if p is not None and not p.known[i]]
        if x is not None and x.known[i] and not x.exact[i]:
            words.append(f"{x.name} is only a bound")
        if more is not None and more[i] is not None:
            words.append(more[i])
        reasons.append("; ".join(words) or None)
    return facts.select("speaker", "setting").with_columns(reason=pl.Series(reasons, dtype=pl.String)).drop_nulls("reason")  # fmt: skip


def _cautions(r: _Rows, *, price: bool) -> list[str]:
    found = [NOT_A_SAMPLE, *([NOMINAL] if price else [])]
    if r.censored:
        found.append(f"{r.censored} of {len(r.y)} values are bounds; {HIGHEST_DRIVE}")
    if LEAST_MAKERS <= r.makers < FEW_MAKERS:
        found.append(f"only {r.makers} makers: intervals clustered by maker tend to be too narrow")
    return found


def with_q(trends: Sequence[Trend]) -> list[Trend]:
    """The trends with Benjamini and Hochberg's q over everything that is printed together."""
    frames = [frame for t in trends for frame in (t.slopes, t.groups)]
    p = np.concatenate([frame["p"].fill_null(np.nan).to_numpy() for frame in frames]) if frames else np.zeros(0)
    q, parts, start = benjamini_hochberg(p), [], 0
    for frame in frames:
        parts.append(frame.with_columns(q=pl.Series(q[start : start + len(frame)], dtype=pl.Float64).fill_nan(None)))
        start += len(frame)
    return [
        Trend(parts[2 * i], parts[2 * i + 1], t.points, t.line, t.unknown, t.cautions) for i, t in enumerate(trends)
    ]
