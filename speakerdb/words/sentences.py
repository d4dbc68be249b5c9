"""Plain sentences made from the numbers: no more than they carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.analysis.peers import LEAST
from speakerdb.errors import SpeakerdbError
from speakerdb.metric import Metric, Sphere
from speakerdb.metrics import METRICS
from speakerdb.words.match_words import verdict

if TYPE_CHECKING:
    from speakerdb.library.database import Database


def about(base: Database, slug: str) -> list[str]:
    """Three sentences on a speaker: its most unusual figure, its nearest relative, what was withheld."""
    return [_unusual(base, slug), _relative(base, slug), _withheld(base, slug)]


def _unusual(base: Database, slug: str) -> str:
    """The metric in which the speaker lies farthest from the middle of the field, in robust standard deviations."""
    best: tuple[float, Metric, float, np.ndarray[Any, Any]] | None = None
    for metric_id, table in base.field.default_values.items():
        metric = METRICS[metric_id]
        mine = (table["speaker"] == slug).arg_true()
        if not len(mine) or not metric.ranked or len(table) <= LEAST:
            continue
        at = mine[0]
        value, censored = table.select("value", "censored").row(at)
        if censored != "none":
            continue
        others = np.delete(table["value"].to_numpy(), at)
        scaled, own = (np.log2(others), np.log2(value)) if metric.scale == "log" else (others, value)
        middle = np.median(scaled)
        spread = max(
            1.4826 * float(np.median(np.abs(scaled - middle))), metric.step / 2 if metric.scale != "log" else 0.02
        )
        distance = abs(own - middle) / spread
        if best is None or distance > best[0]:
            best = (distance, metric, value, others)
    if best is None:
        return f"Unusual: not judged yet, since fewer than {LEAST} other speakers share a metric with it."
    _, metric, value, others = best
    below, above = int((others < value).sum()), int((others > value).sum())
    side = f"higher than {below}" if below >= above else f"lower than {above}"
    return (
        f"Most unusual: {metric.phrase} {metric.quantity.text(value)}, {side} of {len(others)} others "
        f"(median {metric.quantity.text(float(np.median(others)))})."
    )


def _relative(base: Database, slug: str) -> str:
    try:
        rows = base.match(slug, top=1, exact=True).rows
    except SpeakerdbError as error:
        return f"Measures most like: {error.message}."
    if not len(rows):
        return "Measures most like: none yet, it is the only speaker."
    row = rows.row(0, named=True)
    told = "; ".join([verdict(row), *row["remarks"]])
    return f"Measures most like: {row['speaker']}, {figures.DB.text(row['distance_db'])} RMS away; {told}."


def _withheld(base: Database, slug: str) -> str:
    frame = base.show(slug, exact=True).rows.filter(pl.col("session").is_null() & (pl.col("status") != "ok"))
    around = [m.id for m in METRICS.values() if m.reading(Sphere)]
    extra = pl.col("metric").is_in(around)  # few sessions can have it
    if not len(frame.filter(~extra)):
        return (
            f"Withheld: nothing but the {METRICS[frame['metric'][0]].phrase}." if len(frame) else "Withheld: nothing."
        )
    frame = frame.filter(~extra)
    groups = frame.group_by("reason", maintain_order=True).agg(pl.len().alias("n"), pl.col("metric").first())
    parts = [
        f"{n} metrics ({reason})" if n > 1 else f"{METRICS[first].phrase} ({reason})"
        for reason, n, first in groups.iter_rows()
    ]
    return f"Withheld: {'; '.join(parts)}."
