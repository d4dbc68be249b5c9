"""Two properties of the field against each other: who is on the frontier, who beats what one may expect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis.field import FloatArray
from speakerdb.analysis.properties import Property
from speakerdb.errors import RequestError
from speakerdb.statistics import tradeoff as statistics
from speakerdb.statistics.fields import generator

QUANTILE = 0.9
LINE_POINTS = 25
LINE_SCHEMA = dict.fromkeys(("x", "fit", "low", "high"), pl.Float64)
BY_CHANCE = (
    "about 5 % of all speakers fall outside their interval by chance: {expected:.0f} of {count} here, {outside} do"
)


@dataclass(frozen=True, eq=False)
class TradeOff:
    """rows: speaker, setting, x, x_censored, y, y_censored, p_frontier, p_frontier_low, p_frontier_high, x_on_frontier,
    expected, low, high, beats ('better', 'worse', 'as_expected', null); line: x, fit, low, high of the quantile line, empty
    below 50 speakers; unknown: speaker, setting, reason; outside: how many fall outside their interval; cautions."""

    rows: pl.DataFrame
    line: pl.DataFrame
    unknown: pl.DataFrame
    outside: int
    cautions: tuple[str, ...]


def tradeoff(facts: pl.DataFrame, x: Property, y: Property, *, with_line: bool = True) -> TradeOff:
    """Set y against x over the speakers of whom both are known; rows sorted by p_frontier, then x from good to bad.

    p_frontier: share of draws in which no other is at least as good in both and better in one. x_on_frontier: the x at which the
    speaker would be on it in half of the draws, all else equal (null: at any). expected, low, high: y as the others lead to expect
    from x and kind. with_line: work out the quantile line. Raises RequestError where one of the two has no better direction.
    """
    for one in (x, y):
        if one.better == "neither":
            raise RequestError(f"{one.id}: neither direction is better, so it has no frontier; try `trend`")
    if x.id == y.id:
        raise RequestError(f"{x.id} against itself is no trade-off: name two properties")
    known = x.known & y.known
    rows = np.flatnonzero(known)
    kx, ky = _turned(x, rows), _turned(y, rows)
    share, share_low, share_high = statistics.frontier_probability(kx, ky)
    limit = _sign(x) * statistics.frontier_limit(kx.draws, ky.draws)
    exact = (x.exact & y.exact)[rows]
    expected = _expectation(facts[rows], x, y, rows, exact)
    better = np.where(_sign(y) > 0, y.value[rows] > expected.high, y.value[rows] < expected.low)
    worse = np.where(_sign(y) > 0, y.value[rows] < expected.low, y.value[rows] > expected.high)
    beats = np.select([np.isnan(expected.expected), better, worse], ["", "better", "worse"], "as_expected")
    frame = pl.DataFrame(
        {
            "speaker": facts["speaker"][rows], "setting": facts["setting"][rows],
            "x": x.value[rows], "x_censored": x.censored[rows].tolist(), "y": y.value[rows], "y_censored": y.censored[rows].tolist(),
            "p_frontier": share, "p_frontier_low": share_low, "p_frontier_high": share_high,
            "x_on_frontier": np.where(np.isfinite(limit), limit, np.nan),
            "expected": expected.expected, "low": expected.low, "high": expected.high, "beats": pl.Series([word or None for word in beats.tolist()], dtype=pl.String),
        }
    ).with_columns(pl.col("x_on_frontier", "expected", "low", "high").fill_nan(None))  # fmt: skip
    frame = frame.sort("p_frontier", pl.col("x") * -_sign(x), "speaker", descending=[True, False, False])
    outside, judged = int((better | worse).sum()), int(np.isfinite(expected.expected).sum())
    cautions = [BY_CHANCE.format(expected=0.05 * judged, count=judged, outside=outside)] if judged else []
    if (~exact).any():
        bounds = (
            frame.filter((pl.col("x_censored") != "none") | (pl.col("y_censored") != "none"))["speaker"].unique().sort()
        )
        cautions.append(f"only bounds are known of {', '.join(bounds)}: left out of the expectation and the quantile line; the range of "
                        "p_frontier allows for all that they may be. Labs choose the highest drive, so a bound says as much of the lab")  # fmt: skip
    line = _line(facts[rows], x, y, rows, exact) if with_line else pl.DataFrame(schema=LINE_SCHEMA)
    return TradeOff(frame, line, _unknown(facts, x, y), outside, tuple(cautions))


def _sign(one: Property) -> float:
    return -1.0 if one.better == "low" else 1.0


def _turned(one: Property, rows: NDArray[np.int64]) -> statistics.Known:
    least, most = (one.censored[rows] == word for word in ("at_most", "at_least"))
    if _sign(one) < 0:
        least, most = most, least
    return statistics.Known(_sign(one) * one.draws[rows], least, most)


def _expectation(facts: pl.DataFrame, x: Property, y: Property, rows: NDArray[np.int64], exact: NDArray[np.bool_]) -> statistics.Expectation:  # fmt: skip
    """In y's own unit; NaN where a value is censored."""
    full = [np.full(len(rows), np.nan) for _ in range(3)]
    kinds = np.unique(facts["kind"].fill_null("").to_numpy().astype(str)[exact], return_inverse=True)[1]
    found = statistics.expectation(x.scaled(x.value[rows][exact]), y.scaled(y.value[rows][exact]), kinds)
    for array, part in zip(full, (found.expected, found.low, found.high), strict=True):
        array[exact] = y.unscaled(part)
    return statistics.Expectation(*full)


def _line(facts: pl.DataFrame, x: Property, y: Property, rows: NDArray[np.int64], exact: NDArray[np.bool_]) -> pl.DataFrame:  # fmt: skip
    """The line that nine of ten speakers do not beat, with its band."""
    empty = pl.DataFrame(schema=LINE_SCHEMA)
    if exact.sum() < statistics.LEAST_FOR_QUANTILE:
        return empty
    sx, sy = x.scaled(x.value[rows][exact]), y.scaled(y.value[rows][exact])
    at: FloatArray = np.linspace(sx.min(), sx.max(), LINE_POINTS)
    tau = QUANTILE if _sign(y) > 0 else 1.0 - QUANTILE
    makers = facts["maker"].to_numpy()[exact]
    band = statistics.quantile_band(sx, sy, tau, makers.tolist(), at, generator("quantile line", f"{x.id}|{y.id}", 1))
    if band is None:
        return empty
    return pl.DataFrame({"x": x.unscaled(at), **{n: y.unscaled(b) for n, b in zip(("fit", "low", "high"), band, strict=True)}})  # fmt: skip


def _unknown(facts: pl.DataFrame, x: Property, y: Property) -> pl.DataFrame:
    reasons = [
        "; ".join(f"{p.name}: {p.reason[i] or 'unknown'}" for p in (x, y) if not p.known[i]) for i in range(len(facts))
    ]
    return facts.select("speaker", "setting").with_columns(reason=pl.Series(reasons, dtype=pl.String)).filter(pl.col("reason") != "")  # fmt: skip
