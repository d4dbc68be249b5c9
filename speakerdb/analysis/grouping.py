"""Do the kinds differ? Each group's median of a metric, and the group against all others, a row per speaker."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis import properties
from speakerdb.analysis.by_maker import (
    Rows,
    cautions,
    count,
    distinct,
    few,
    mostly_bounds,
    null,
    slope,
    unit,
    unknown,
)
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.properties import LINE_SCHEMA, Property
from speakerdb.analysis.slopes import GROUP_SCHEMA, SLOPE_SCHEMA, Trend
from speakerdb.errors import RequestError
from speakerdb.statistics import clusters, groups
from speakerdb.statistics.fields import generator
from speakerdb.statistics.permutation import LEAST_MAKERS, Permuted, permuted

GROUPINGS = ("kind", "layout", "enclosure")
UNALIGNED = (
    "some values come from benches that are not aligned, so part of a difference between groups may be the benches'"
)
WITHIN = 0.05  # p above which a difference is not seen within makers
BOTH_SIDES = "values are bounded from both sides"


def over_groups(c: MetricColumn, grouping: str) -> Trend:
    """Each group's median, and how it differs from all others together. Raises RequestError for an unknown grouping."""
    if grouping not in GROUPINGS:
        raise RequestError(f"{grouping!r} is no grouping; there are {', '.join(GROUPINGS)}")
    y = properties.of_metric(c)
    name = c.facts[grouping].cast(pl.String)
    rows = np.flatnonzero(y.known & name.is_not_null().to_numpy())
    r = Rows.of(c, y, rows)
    member = name.to_numpy()[rows].astype(str)
    names, code, size = np.unique(member, return_inverse=True, return_counts=True)
    tested = _tested(r, code, c.facts["speaker"].to_numpy()[rows].astype(str), f"{grouping}|{y.id}")
    every = {"metric": y.id, "over": grouping, "unit": unit(y), "method": r.method, **_all_groups(r, tested)}
    found = [
        {**every, "group": str(names[k]), **_group(r, y, code == k, tested, k)}
        for k in np.argsort(-size, kind="stable")
    ]
    points = pl.DataFrame(
        {
            "speaker": c.facts["speaker"][rows],
            "x": member.tolist(),
            "y": y.value[rows],
            "censored": y.censored[rows].tolist(),
        }
    )
    missing = pl.Series([None if known else f"{grouping} unknown" for known in name.is_not_null()], dtype=pl.String)
    told = [*cautions(c, r), *([UNALIGNED] if r.bench.shape[1] else []), *_of_makers(found)]
    return Trend(
        pl.DataFrame(schema=SLOPE_SCHEMA),
        pl.DataFrame(found, schema=GROUP_SCHEMA),
        points,
        pl.DataFrame(schema=LINE_SCHEMA),
        unknown(c.facts, y, None, missing),
        tuple(told),
    )


def _one_sided(side: NDArray[np.int64]) -> int | None:
    """1 where values are only exact or at least, −1 where only exact or at most, None where both bounds occur."""
    if (side > 0).any() and (side < 0).any():
        return None
    return -1 if (side < 0).any() else 1


def _tested(r: Rows, code: NDArray[np.int64], speaker: NDArray[np.str_], key: str) -> Permuted | str:
    """The permutation tests of all groups, in an order of rows that is the data's own; or why there are none."""
    way = _one_sided(r.side)
    if way is None or not len(code):
        return BOTH_SIDES if len(code) else "no speakers"
    score = way * groups.prentice_scores(way * r.y, r.side != 0)
    order = np.lexsort((speaker, r.maker))
    value = score if r.censored else r.y
    return permuted(value[order], score[order], code[order], r.maker[order], generator("labels within makers", key, 1))


def _all_groups(r: Rows, tested: Permuted | str) -> dict[str, Any]:
    if isinstance(tested, str):
        return {"all_groups_reason": tested}
    reason = mostly_bounds(r.side, "a test") or _unmixed(tested.makers_all, "in more than one group")
    return {"all_groups_reason": reason} if reason else {"p_all_groups": tested.p_all}


def _unmixed(makers: int, where: str) -> str | None:
    if makers >= LEAST_MAKERS:
        return None
    return (
        f"{count(makers, 'maker')} {'has' if makers == 1 else 'have'} speakers {where}; at least {LEAST_MAKERS} "
        "are needed"
    )


def _group(r: Rows, y: Property, mine: NDArray[np.bool_], tested: Permuted | str, place: int) -> dict[str, Any]:
    """One group against all others together."""
    makers, others = distinct(r.maker[mine]), distinct(r.maker[~mine])
    row: dict[str, Any] = {
        "speakers": int(mine.sum()),
        "makers": makers,
        "censored": int((r.side[mine] != 0).sum()),
        "makers_of_both": len(np.intersect1d(r.maker[mine], r.maker[~mine])),
        **_median(r, y, mine),
    }
    lower, upper = np.where(r.side < 0, -np.inf, r.y), np.where(r.side > 0, np.inf, r.y)
    row["cliffs_delta"] = null(groups.cliffs_delta(lower[mine], upper[mine], lower[~mine], upper[~mine]))
    if not r.censored:
        row["hedges_g"] = null(groups.hedges_g(r.y[mine], r.y[~mine]))
    theirs = mostly_bounds(r.side[~mine], "a difference")
    ours = mostly_bounds(r.side, "a difference") or mostly_bounds(r.side[mine], "a difference")
    bounds = ours or (f"of all others, {theirs}" if theirs else None)
    row["p_reason"] = (
        tested if isinstance(tested, str) else bounds or _unmixed(int(tested.makers[place]), "both in it and outside")
    )
    if not isinstance(tested, str) and not row["p_reason"]:
        row["p"] = float(tested.p[place])
    fit = (
        bounds
        or r.too_little("a difference")
        or (None if others else "there are no others")
        or r.fit(mine - mine.mean(), benches=False)
    )
    if isinstance(fit, str):
        return row | {"reason": fit}
    found = slope(fit, y, 1.0)
    del found["p"]  # that of a group comes from permutations
    return row | {"difference": found.pop("effect"), **found, "reason": few(found["df"], makers, others)}


def _of_makers(found: list[dict[str, Any]]) -> list[str]:
    """The groups whose difference is seen between makers and not within them: the interval leaves out 0, p does not."""
    names = [
        g["group"] for g in found if g.get("low") is not None and g["low"] * g["high"] > 0 and g.get("p", 0.0) > WITHIN
    ]
    return (
        [
            f"{', '.join(names)}: the interval leaves out 0, but within makers no such difference is seen; "
            "it may be that of the makers"
        ]
        if names
        else []
    )


def _median(r: Rows, y: Property, mine: NDArray[np.bool_]) -> dict[str, Any]:
    """A group's Kaplan-Meier median with its interval, or a bound of it."""
    side, value = r.side[mine], r.y[mine]
    way = _one_sided(side)
    if way is None:
        return {"median_reason": BOTH_SIDES}
    survival = groups.kaplan_meier(way * value, side != 0)
    many = mostly_bounds(side, "a median")
    if many or not np.isfinite(survival.median):
        # half the true values lie beyond the middle of what was recorded
        reason = many or f"too many of its {'highest' if way > 0 else 'lowest'} values are bounds"
        return {
            "median": float(y.unscaled(np.asarray(np.median(value)))),
            "median_censored": "at_least" if way > 0 else "at_most",
            "median_reason": reason,
        }
    found = {"median": float(y.unscaled(np.asarray(way * survival.median))), "median_censored": "none"}
    if len(value) < groups.LEAST_FOR_INTERVAL:
        return found | {
            "median_reason": f"{count(len(value), 'speaker')}; an interval needs {groups.LEAST_FOR_INTERVAL}"
        }
    df, factor = groups.median_freedom(way * value, side != 0, r.maker[mine])
    if small := few(df, distinct(r.maker[mine])):
        return found | {"median_reason": small}
    ends = np.sort(way * np.array(survival.median_interval(float(clusters.critical(np.array(df))) * np.sqrt(factor))))
    low, high = (float(y.unscaled(end)) if np.isfinite(end) else None for end in ends)
    return found | {"median_low": low, "median_high": high}
