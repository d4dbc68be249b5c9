"""Ranks as a frame: the better first, with the ranks each can have, tie groups and the overstatement of the first."""

from __future__ import annotations

import polars as pl

from speakerdb.analysis import rank as ranks
from speakerdb.dictionary import MetricDef
from speakerdb.errors import RequestError
from speakerdb.library import answers
from speakerdb.library.answers import Selection
from speakerdb.library.comparing import column
from speakerdb.library.field import Field

COLUMNS = (
    "rank", "rank_low", "rank_high", "rank_marginal_low", "rank_marginal_high", "group", "speaker", "setting", "value", "corrected",
    "unit", "low", "high", "se", "censored", "overstatement", "status", "reason",
)  # fmt: skip
NOT_WORKED_OUT = "not worked out yet; run `speakerdb derive`"


def rank(field: Field, metric: MetricDef, selection: Selection, top: int | None) -> pl.DataFrame:
    """Speakers in order, the better first; withheld ones last with their reason. Columns as in COLUMNS.

    Order and rank go by the corrected value, equal ones share the lower number; rank_low … rank_high are the ranks that all
    together can have (95 %). Where neither direction is better, the highest comes first. As long as the uncertainty of some is not
    worked out, order goes by the plain value and what rests on uncertainty is null.
    """
    if not metric.ranked:
        raise RequestError(f"{metric.id} is never ranked: {metric.definition}")
    judged, unknown = selection.split(field)
    found = answers.metric_column(field, judged, metric)
    ok = pl.col("status") == "ok"
    places = field.remember(("ranks", metric.id, judged["row"].to_numpy().tobytes()), lambda: ranks.rank_frame(column(field, metric, judged)))  # fmt: skip
    if (found["status"] == "ok").fill_null(False).sum() == places["rank"].count():
        found = found.with_columns(places)
    else:
        descending = metric.better != "low"
        place = pl.when(ok).then("value").rank("min", descending=descending).cast(pl.Int64)
        found = found.with_columns(rank=place, **{name: pl.lit(None) for name in ranks.RANKED[1:]})
    known = found.filter(ok).sort("rank", "speaker", "setting")
    withheld = found.filter((~ok).fill_null(True)).with_columns(
        reason=pl.col("reason").fill_null(NOT_WORKED_OUT), status=pl.lit("withheld")
    )
    frames = [known if top is None else known.head(top), withheld, unknown.with_columns(status=pl.lit("withheld"))]
    frame = pl.concat([f.with_columns(unit=pl.lit(metric.unit)) for f in frames], how="diagonal_relaxed")
    return frame.with_columns(pl.col(*(n for n in ranks.RANKED if n != "overstatement")).cast(pl.Int64), pl.col("overstatement").cast(pl.Float64)).select(COLUMNS)  # fmt: skip
