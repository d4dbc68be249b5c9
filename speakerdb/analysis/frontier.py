"""Two properties of the field against each other: who is on the frontier, who beats what one may expect."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.analysis.metric_column import FloatArray
from speakerdb.analysis.properties import LINE_POINTS, LINE_SCHEMA, Property
from speakerdb.errors import RequestError
from speakerdb.statistics import dominance
from speakerdb.statistics import expectation as expectations
from speakerdb.statistics.dominance import Frontier, Known
from speakerdb.statistics.fields import generator

QUANTILE = 0.9
LEAST_OF_KIND = 5  # speakers of a kind below which none of them is judged
CHANCES = ("p_frontier", "p_frontier_low", "p_frontier_high")
BY_CHANCE = (
    "about 5 % of all speakers fall outside their interval by chance: expected {expected} of {count}, found {outside}"
)
ONLY_BOUNDS = "only bounds are known that decide it"
X_MEASURED = "told only where the first of the two is a fact, such as a price"


@dataclass(frozen=True, eq=False)
class TradeOff:
    """rows: speaker, setting, x, x_censored, y, y_censored, p_frontier, p_frontier_low, p_frontier_high, beaten_from,
    beaten_by, beaten_reason, expected, low, high, makers, beats ('better', 'worse', 'as_expected', null); line: x, fit,
    low, high of the quantile line, empty below 50 speakers; unknown: speaker, setting, reason; outside: how many fall
    outside their interval; cautions."""

    rows: pl.DataFrame
    line: pl.DataFrame
    unknown: pl.DataFrame
    outside: int
    cautions: tuple[str, ...]


def tradeoff(facts: pl.DataFrame, x: Property, y: Property, *, with_line: bool = True) -> TradeOff:
    """Set y against x over the speakers of whom both are known; rows sorted by p_frontier, then x from good to bad.

    p_frontier: probability that no other is at least as good in both and better in one, null where there is no other;
    with bounds, at their worst and their best for the speaker, p_frontier_low and _high. beaten_from: going through the
    rivals' x from good to bad, the first from which on a speaker is more likely beaten than not, and whose it is
    (beaten_by); both null where at none, or, with beaten_reason, where that isn't judged: x is measured, bounds decide,
    fewer than 5 of a kind. expected, low, high: y as the others lead to expect from x and kind, makers: of how many
    others of its kind. with_line: work out the quantile line. Raises RequestError where one of the two has no better
    direction.
    """
    for one in (x, y):
        if one.better == "neither":
            raise RequestError(f"{one.id}: neither direction is better, so it has no frontier; try `trend`")
    if x.id == y.id:
        raise RequestError(f"{x.id} against itself is no trade-off: name two properties")
    rows = np.flatnonzero(x.known & y.known)
    told = facts[rows]
    found = dominance.frontier(_turned(x, rows), _turned(y, rows))
    p = found.p, found.low, found.high
    expected = expectation(facts, x, y)
    frame = expected.with_columns(
        **{
            name: pl.Series(one if len(rows) > 1 else [np.nan] * len(rows), dtype=pl.Float64)
            for name, one in zip(CHANCES, p, strict=True)
        },
        **_beaten(told, x.value[rows], found),
    ).with_columns(pl.col(*CHANCES, "beaten_from").fill_nan(None))
    frame = frame.select(
        "speaker",
        "setting",
        "x",
        "x_censored",
        "y",
        "y_censored",
        *CHANCES,
        "beaten_from",
        "beaten_by",
        "beaten_reason",
        "expected",
        "low",
        "high",
        "makers",
        "beats",
    ).sort("p_frontier", pl.col("x") * -_sign(x), "speaker", descending=[True, False, False], nulls_last=True)
    outside, judged = int(expected["beats"].is_in(["better", "worse"]).sum()), expected["beats"].count()
    cautions = (
        [BY_CHANCE.format(expected=figures.number(0.05 * judged), count=judged, outside=outside)] if judged else []
    )
    exact = (x.exact & y.exact)[rows]
    if (~exact).any():
        bounds = told.filter(pl.Series(~exact))["speaker"].unique().sort()
        cautions.append(
            f"only bounds are known of {', '.join(bounds)}: left out of the expectation and the quantile "
            "line; chances of the "
            "frontier allow for all that they may be. Labs choose the highest drive, so a bound says as much of the lab"
        )
    line = _line(told, x, y, rows, exact) if with_line else pl.DataFrame(schema=LINE_SCHEMA)
    return TradeOff(frame, line, _unknown(facts, x, y), outside, tuple(cautions))


def expectation(facts: pl.DataFrame, x: Property, y: Property) -> pl.DataFrame:
    """What the others lead to expect: speaker, setting, x, x_censored, y, y_censored, expected, low, high, makers,
    beats as in TradeOff, in the order of the facts; those of whom both are known."""
    rows = np.flatnonzero(x.known & y.known)
    told, exact = facts[rows], (x.exact & y.exact)[rows]
    found = _expectation(told, x, y, rows, exact)
    above, below = y.value[rows] > found.high, y.value[rows] < found.low
    better, worse = (above, below) if _sign(y) > 0 else (below, above)
    beats = np.select([np.isnan(found.expected), better, worse], ["", "better", "worse"], "as_expected")
    return pl.DataFrame(
        {
            "speaker": told["speaker"],
            "setting": told["setting"],
            "x": x.value[rows],
            "x_censored": x.censored[rows].tolist(),
            "y": y.value[rows],
            "y_censored": y.censored[rows].tolist(),
            "expected": found.expected,
            "low": found.low,
            "high": found.high,
            "makers": _makers(told, exact),
            "beats": pl.Series([word or None for word in beats.tolist()], dtype=pl.String),
        }
    ).with_columns(
        pl.col("expected", "low", "high").fill_nan(None),
        makers=pl.when(pl.col("expected").is_finite()).then("makers"),
    )


def _sign(one: Property) -> float:
    return -1.0 if one.better == "low" else 1.0


def _turned(one: Property, rows: NDArray[np.int64]) -> Known:
    """On the working scale, more being better; what benches add, relative to those behind most of the rows."""
    sign = _sign(one)
    least, most = one.censored[rows] == "at_most", np.isin(one.censored[rows], ("at_least", "between"))
    if sign < 0:
        least, most = most, least
    benches = one.benches.take(rows)
    if len(rows):
        commonest = benches.loading[np.bincount(benches.pattern).argmax()]
        benches = replace(benches, loading=benches.loading - commonest)
    return Known(
        sign * one.scaled(one.value[rows]),
        one.se[rows],
        sign * one.scaled(one.other_value[rows]),
        one.other_se[rows],
        one.other_share[rows],
        benches.shared,
        least,
        most,
    )


def _beaten(facts: pl.DataFrame, x: FloatArray, found: Frontier) -> dict[str, pl.Series | FloatArray]:
    """beaten_from, beaten_by, beaten_reason; x (n,) in its own unit."""
    kind, count = facts["kind"].to_list(), facts.select(pl.len().over("kind"))["len"].to_list()
    decided = (found.beaten_low == found.beaten_high).tolist()
    measured = np.isnan(found.beaten_from)
    reason = [
        X_MEASURED
        if unnamed
        else f"{n} {'of its kind' if one else 'of no kind'}; at least {LEAST_OF_KIND} are needed"
        if n < LEAST_OF_KIND
        else None
        if sure
        else ONLY_BOUNDS
        for unnamed, one, n, sure in zip(measured.tolist(), kind, count, decided, strict=True)
    ]
    named = np.array([r is None for r in reason], bool) & (found.beaten_by >= 0)
    limit = np.where(named, x[found.beaten_by], np.nan) if len(x) else x
    slugs = facts["speaker"].to_list()
    by = [slugs[k] if told else None for k, told in zip(found.beaten_by.tolist(), named.tolist(), strict=True)]
    return {
        "beaten_from": limit,
        "beaten_by": pl.Series(by, dtype=pl.String),
        "beaten_reason": pl.Series(reason, dtype=pl.String),
    }


def _makers(facts: pl.DataFrame, exact: NDArray[np.bool_]) -> pl.Series:
    """Of each speaker the number of makers behind the others of its kind that have exact values."""
    kept = facts.select("kind", "maker").with_columns(exact=pl.Series(exact, dtype=pl.Boolean))
    makers = pl.col("maker").filter("exact").n_unique().over("kind")
    own = pl.col("exact").sum().over("kind", "maker") == pl.col("exact").cast(pl.UInt32)
    return kept.select((makers.cast(pl.Int64) - (own & pl.col("exact")).cast(pl.Int64)).alias("makers"))["makers"]


def _expectation(
    facts: pl.DataFrame, x: Property, y: Property, rows: NDArray[np.int64], exact: NDArray[np.bool_]
) -> expectations.Expectation:
    """In y's own unit; NaN where a value is censored."""
    full = [np.full(len(rows), np.nan) for _ in range(3)]
    kinds = np.unique(facts["kind"].fill_null("").to_numpy().astype(str)[exact], return_inverse=True)[1]
    found = expectations.expectation(x.scaled(x.value[rows][exact]), y.scaled(y.value[rows][exact]), kinds)
    for array, part in zip(full, (found.expected, found.low, found.high), strict=True):
        array[exact] = y.unscaled(part)
    return expectations.Expectation(*full)


def _line(
    facts: pl.DataFrame, x: Property, y: Property, rows: NDArray[np.int64], exact: NDArray[np.bool_]
) -> pl.DataFrame:
    """The line that nine of ten speakers do not beat, with its band."""
    empty = pl.DataFrame(schema=LINE_SCHEMA)
    if exact.sum() < expectations.LEAST_FOR_QUANTILE:
        return empty
    sx, sy = x.scaled(x.value[rows][exact]), y.scaled(y.value[rows][exact])
    at: FloatArray = np.linspace(sx.min(), sx.max(), LINE_POINTS)
    tau = QUANTILE if _sign(y) > 0 else 1.0 - QUANTILE
    makers = facts["maker"].to_numpy()[exact]
    band = expectations.quantile_band(sx, sy, tau, makers.tolist(), at, generator("quantile line", f"{x.id}|{y.id}", 1))
    if band is None:
        return empty
    return pl.DataFrame(
        {"x": x.unscaled(at), **{n: y.unscaled(b) for n, b in zip(("fit", "low", "high"), band, strict=True)}}
    )


def _unknown(facts: pl.DataFrame, x: Property, y: Property) -> pl.DataFrame:
    known = [(p, p.known) for p in (x, y)]
    reasons = [
        "; ".join(f"{p.name}: {p.reason[i] or 'unknown'}" for p, it in known if not it[i]) for i in range(len(facts))
    ]
    return (
        facts.select("speaker", "setting")
        .with_columns(reason=pl.Series(reasons, dtype=pl.String))
        .filter(pl.col("reason") != "")
    )
