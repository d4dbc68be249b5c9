"""What would settle it: for two speakers that can't be told apart, the further measurement that would, and how
likely."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from speakerdb.analysis.differences import Sessions, compare, contrast_of, step_on_scale
from speakerdb.analysis.metric_column import MetricColumn, off_scale, on_scale
from speakerdb.statistics.outcomes import Bench, Outcome, outcomes
from speakerdb.statistics.places import CRITICAL

SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "metric": pl.String,
    "unit": pl.String,
    "a": pl.String,
    "b": pl.String,
    "difference": pl.Float64,
    "ratio": pl.Boolean,
    "low": pl.Float64,
    "high": pl.Float64,
    "contrast": pl.String,
    "what": pl.String,
    "speakers": pl.List(pl.String),
    "bench": pl.String,
    "words": pl.String,
    "expected_low": pl.Float64,
    "expected_high": pl.Float64,
    "share": pl.Float64,
    "chance": pl.Float64,
}


def words(outcome: Outcome, names: Sequence[str]) -> str:
    """The measurement as one would ask for it. names: of both sides."""
    whom = " and ".join(names[side] for side in outcome.sides)
    match outcome.what:
        case "repeat":
            return f"measure the same sample of {whom} once more in {outcome.bench}"
        case "sample":
            return f"measure another sample of {whom} in {outcome.bench}"
        case "lab":
            return f"measure the same sample of {whom} in {outcome.bench}"
    return f"measure {whom} side by side in one run in {outcome.bench}"


def verdicts(columns: Sequence[MetricColumn], pair: tuple[int, int], sessions: Sessions) -> pl.DataFrame:
    """The rows of `compare` for one pair that are not withheld, with `by_all`: whether all sessions alone would tell
    it, as ranks do."""
    found, by_all = compare(columns, [pair], sessions), compare(columns, [pair], {})
    return found.with_columns(by_all=by_all["differs"]).filter(pl.col("reason").is_null())


def names_of(column: MetricColumn, pair: tuple[int, int]) -> list[str]:
    """Both sides in words: speakers, with their settings where they are one speaker's."""
    speakers, settings = (column.facts[name].gather(list(pair)).to_list() for name in ("speaker", "setting"))
    return (
        speakers
        if speakers[0] != speakers[1]
        else [f"{s}@{setting}" for s, setting in zip(speakers, settings, strict=True)]
    )


def settle(
    columns: Sequence[MetricColumn],
    pair: tuple[int, int],
    told: pl.DataFrame,
    sessions: Sessions,
    benches: Sequence[Bench],
) -> pl.DataFrame:
    """For each metric in which rows (i, j) can't be told apart, the measurements that would narrow the interval of the
    difference.

    told: what `verdicts` says of them; sessions: as for `compare`; benches: where one could measure. Columns as in
    SCHEMA; per metric the likeliest to settle it first. share: of the present width that would be left; expected_low,
    expected_high: the interval about the present difference then; chance: the probability that it would lie on one
    side, the present estimate and its error being all that is known. Metrics that differ already, are withheld,
    censored or one of two values have no rows.
    """
    rows: list[tuple[object, ...]] = []
    for column in columns:
        row = told.filter((pl.col("metric") == column.metric.id) & ~pl.col("differs"))
        present = contrast_of(column, pair, sessions.get(column.metric.id))
        if row.is_empty() or present is None or one_of_two(column, pair):
            continue
        now, metric, names = row.row(0, named=True), column.metric, names_of(column, pair)
        low, high = (float(on_scale(metric, np.array(now[end]))) for end in ("low", "high"))
        rounding = sum(float(step_on_scale(metric, np.array([now[v]]))[0]) ** 2 / 12.0 for v in ("value_a", "value_b"))
        unit, sides = column.target == "another_unit", [sessions[metric.id][index] for index in pair]
        found = []
        for outcome in outcomes(sides[0], sides[1], benches, present, another_unit=unit):
            share = outcome.sd / present.variance**0.5
            chance = outcome.chance(present.difference, CRITICAL * float(np.hypot(outcome.sd, rounding**0.5)))
            ends = present.difference + np.array([-0.5, 0.5]) * (high - low) * share
            found.append(
                (
                    metric.id,
                    metric.unit,
                    *names,
                    now["difference"],
                    now["ratio"],
                    now["low"],
                    now["high"],
                    now["contrast"],
                    outcome.what,
                    [names[side] for side in outcome.sides],
                    outcome.bench,
                    words(outcome, names),
                    *off_scale(metric, ends).tolist(),
                    share,
                    chance,
                )
            )
        rows += sorted(found, key=lambda r: (-r[-1], len(r[10]), r[12]))  # type: ignore[operator, arg-type]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def one_of_two(column: MetricColumn, pair: tuple[int, int]) -> bool:
    """Whether either value is one of two: a further measurement may fall on either."""
    return bool(np.isfinite(column.other_share[list(pair)]).any())


def overall(frame: pl.DataFrame) -> pl.DataFrame:
    """Over all undecided metrics of a frame from `settle`: per measurement how many it is expected to settle (the sum
    of the chances), and the mean share of the present width that would be left (metrics that it does not help count as
    unchanged); the best first."""
    metrics = frame["metric"].n_unique()
    return (
        frame.group_by("what", "speakers", "bench", "words", maintain_order=True)
        .agg(
            settles=pl.col("chance").sum(),
            share=(pl.col("share").sum() + metrics - pl.len()) / metrics,
            metrics=pl.col("metric"),
        )
        .sort("settles", "share", "words", descending=[True, False, False])
    )
