"""Speakers against each other and against the field, with what the data can carry: compare, percentile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.analysis import differences, peers
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.analysis.ordering import with_bench
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.field.sessions import BySide, Side, measured
from speakerdb.metric import Metric
from speakerdb.metrics import RANKED
from speakerdb.statistics.contrasts import widened
from speakerdb.store import Store
from speakerdb.terms import TARGETS, Target

ABOUT: dict[Target, str] = {  # of a difference: what both share is not in it
    "as_measured": "about the units measured, as measured",
    "absolute": TARGETS["absolute"],
    "another_unit": "about another unit of each model",
}
NOT_MODELLED = "positioning of the microphone is not modelled"
NOT_WORKED_OUT = (
    "how sure it is, is not known: `speakerdb derive` has not worked it out, or errors of measurement leave it "
    "too often without a value"
)


def rows_of(field: Field, sides: Sequence[Side]) -> pl.DataFrame:
    """The field's rows of these speakers and settings, in this order."""
    wanted = pl.DataFrame(
        {"speaker_id": [s[0] for s in sides], "setting": [s[1] for s in sides]},
        schema_overrides={"speaker_id": field.base.schema["speaker_id"]},
    )
    return wanted.join(field.frame(), on=["speaker_id", "setting"], how="left", maintain_order="left")


def column(field: Field, metric: Metric, rows: pl.DataFrame, target: Target = "as_measured") -> MetricColumn:
    """A metric over rows of the field; withheld where it isn't known how sure it is: nothing can be told apart then."""
    found = field.metric_column(metric, rows, target)
    bare = found.known & np.isnan(found.se)
    if not bare.any():
        return found
    value, lower, upper, low, high = (
        np.where(bare, np.nan, x) for x in (found.value, found.lower, found.upper, found.low, found.high)
    )
    reason = np.where(bare, NOT_WORKED_OUT, found.reason)
    return replace(found, value=value, lower=lower, upper=upper, low=low, high=high, reason=reason)


def sessions_of(store: Store, field: Field, sides: Sequence[Side], columns: Sequence[MetricColumn]) -> BySide:
    """The sessions behind the values of columns whose rows are these sides, less sure where they disagree."""
    found = measured(store, sides, [c.metric for c in columns])
    rows = rows_of(field, sides).select("speaker_id", "setting")
    for column in columns:
        values = rows.join(
            field.values(column.metric.id), on=["speaker_id", "setting"], how="left", maintain_order="left"
        )
        for row, (disagree, se) in enumerate(values.select("disagree", "se").iter_rows()):
            if disagree and se is not None and found[column.metric.id][row]:
                found[column.metric.id][row] = widened(found[column.metric.id][row], se**2)
    return found


def compare(
    store: Store,
    field: Field,
    sides: Sequence[Side],
    metrics: Sequence[Metric] | None = None,
    target: Target = "as_measured",
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Differences of every pair of the sides, in the metrics asked for or all that are ranked; and those withheld, with
    the reason. Raises RequestError."""
    if len(set(sides)) < max(len(sides), 2):
        raise RequestError(
            "compare needs two different speakers or settings, e.g. `compare sill-5 sill-8` or `compare "
            "sill-5@plain sill-5@desk`"
        )
    rows = rows_of(field, sides)
    wanted = list(RANKED if metrics is None else metrics)
    columns = [column(field, m, rows, target) for m in wanted]
    if (
        target == "absolute"
    ):  # from all sessions: what of a bench's error two values do not feel alike is known of these
        at = rows["row"].to_numpy()
        columns = [with_bench(c, field.draws(c.metric.id, "bench_draw")[at]) for c in columns]
    sessions = {} if target == "absolute" else sessions_of(store, field, sides, columns)
    frame = differences.compare(columns, list(combinations(range(len(sides)), 2)), sessions)
    ok, withheld = frame.filter(pl.col("reason").is_null()), frame.filter(pl.col("reason").is_not_null())
    return ok.drop("reason"), withheld.select("metric", "a", "setting_a", "b", "setting_b", "reason")


def percentile(
    field: Field,
    side: Side,
    metrics: Sequence[Metric] | None = None,
    *,
    factor: float = peers.FACTOR,
    among: Sequence[str] | None = None,
    among_words: str = "",
) -> tuple[pl.DataFrame, str, tuple[str, ...]]:
    """A speaker's places among its peers, the group that was asked for in words and as slugs: of its kind, price and
    size within a factor, in wider groups where these are too few, or among the speakers named. Raises RequestError."""
    if factor < 1:
        raise RequestError(f"factor {figures.plain(factor)}: expected 1 or more")
    key = (pl.col("speaker_id") == side[0]) & (pl.col("setting") == side[1])
    rows = field.frame().filter(pl.col("is_default") | key)
    row = rows.with_row_index("at").filter(key)["at"].item()
    groups = peers.peers_of(rows, row, factor) if among is None else [peers.named_peers(rows, row, among, among_words)]
    wanted = list(RANKED if metrics is None else metrics)
    columns = [column(field, m, rows) for m in wanted]
    found = peers.places(columns, row, groups)
    own = [
        (float(c.value[row]), c.censored[row], _why_not(c, row, of)) for c, of in zip(columns, found["of"], strict=True)
    ]
    answer = found.select(
        "metric",
        label=pl.Series([m.label for m in wanted], dtype=pl.String),
        unit=pl.Series([m.unit for m in wanted], dtype=pl.String),
        value=pl.Series([o[0] for o in own], dtype=pl.Float64).fill_nan(None),
        censored=pl.Series([o[1] for o in own], dtype=pl.String),
        place="place",
        place_low="place_low",
        place_high="place_high",
        of="of",
        among="among",
        reason=pl.Series([o[2] for o in own], dtype=pl.String),
    )
    others = tuple(rows["speaker"][i] for i in groups[0].rows if i != row)
    return answer, groups[0].words, others


def _why_not(column: MetricColumn, row: int, of: int) -> str | None:
    """Why a speaker has no place."""
    if not column.known[row]:
        return str(column.reason[row] or NOT_WORKED_OUT)
    return f"known of {of - 1} others; at least {peers.LEAST} are needed" if of <= peers.LEAST else None
