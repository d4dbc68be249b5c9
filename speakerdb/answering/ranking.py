"""Places as an answer: the better first, with the places that each can have, and what the order can and can't say."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.analysis import ordering
from speakerdb.analysis.metric_column import MetricColumn
from speakerdb.errors import RequestError
from speakerdb.field import mending
from speakerdb.field.field import NOT_EQUALISED, Field
from speakerdb.field.selection import Selection
from speakerdb.metric import Metric
from speakerdb.statistics.error_model import bench_words
from speakerdb.terms import TARGETS, Target

COLUMNS = (
    "rank",
    "rank_low",
    "rank_high",
    "speaker",
    "setting",
    "value",
    "unit",
    "low",
    "high",
    "se",
    "censored",
    "other_value",
)
JOINT = ("rank_joint_low", "rank_joint_high")
ONCE = "Over a whole list 95 of 100 such ranges hold the true place on this bench"
LUCKY = (
    "Those who come first are partly lucky, for those near them lie within their errors; see the places that all "
    "together can have (--jointly)"
)
SAMPLE = 300  # speakers of a large field from whom the widths with the bench included are taken


def rank(
    field: Field,
    metric: Metric,
    selection: Selection,
    top: int | None,
    *,
    jointly: bool = False,
    target: Target = "as_measured",
    equalised: bool = False,
) -> tuple[pl.DataFrame, pl.DataFrame, tuple[str, ...]]:
    """Speakers in order, the better first (where neither direction is better, the highest); equal values share the
    lower number; those without a place (speaker, setting, reason); and what the order can and can't say.

    equalised: as if everyone used the filters that mend it. Raises RequestError for a metric that is never ranked, or
    that filters don't change.
    """
    if equalised and metric.id not in mending.JUDGED:
        raise RequestError(f"{metric.id} is not changed by equalisation: only metrics of response are ranked so")
    if not metric.ranked:
        raise RequestError(f"{metric.id} is never ranked: {metric.definition}")
    judged, unknown = selection.split(field)
    if metric.kinds == "subwoofer":  # they rank among themselves
        judged = judged.filter(pl.col("kind") == "subwoofer")
    found = field.metric_column(metric, judged, target, equalised=equalised)
    if target == "absolute":
        found = ordering.with_bench(found, field.draws(metric.id, "bench_draw")[judged["row"].to_numpy()])
    key = ("places", metric.id, target, jointly, equalised, judged["row"].to_numpy().tobytes())
    draws = _draws(field, found, judged)
    places = field.remember(key, lambda: ordering.rank_frame(found, draws, jointly=jointly))
    frame = _frame(found, places)
    known = frame.filter(pl.col("rank").is_not_null()).sort("rank", "speaker", "setting")
    withheld = frame.filter(pl.col("rank").is_null()).select("speaker", "setting", "reason")
    rows = (known if top is None else known.head(top)).select(*COLUMNS, *(JOINT if jointly else ()))
    missing = pl.concat([withheld, unknown.select("speaker", "setting", "reason")], how="vertical_relaxed")
    said = _cautions(field, found, known, jointly=jointly, equalised=equalised)
    return rows, missing, (*_to_do(withheld), *said) if equalised else said


EQUALISED = "As if each used the filters that mend it (see `equalise`): what is left lies in directivity and bass"


def _to_do(withheld: pl.DataFrame) -> tuple[str, ...]:
    """What an order of equalised speakers is, and how many are still to do."""
    count = len(withheld.filter(pl.col("reason") == NOT_EQUALISED))
    if not count:
        return (EQUALISED,)
    return EQUALISED, f"{count} {'is' if count == 1 else 'are'} still to do; run `speakerdb derive --equalise`"


def _draws(field: Field, found: MetricColumn, judged: pl.DataFrame) -> ordering.Draws:
    """The own draws of the column's rows, read where they are asked for."""
    return lambda: field.draws(found.metric.id)[judged["row"].to_numpy()]


def _frame(found: MetricColumn, places: pl.DataFrame) -> pl.DataFrame:
    """A row per row of the column; reason says why one has no rank."""
    facts = found.facts.select("speaker", "setting")
    values = pl.DataFrame(
        {
            "value": found.value,
            "low": found.low,
            "high": found.high,
            "se": found.se,
            "other_value": found.other_value,
            "censored": found.censored,
            "reason": pl.Series(found.reason.tolist(), dtype=pl.String),
        }
    ).with_columns(pl.when(pl.col(pl.Float64).is_finite()).then(pl.col(pl.Float64)), unit=pl.lit(found.metric.unit))
    return pl.concat([facts, values, places], how="horizontal")


def _cautions(
    field: Field, found: MetricColumn, known: pl.DataFrame, *, jointly: bool, equalised: bool
) -> tuple[str, ...]:
    """What the order can and can't say, in sentences without their full stops."""
    if unsure := known["rank_low"].null_count():
        return (
            f"The uncertainty of {unsure} values is not worked out, so the places they can have are unknown; "
            "run `speakerdb derive`",
        )
    if len(known) < 2:
        return ()
    said = [ONCE] if found.target == "as_measured" else [f"Places {TARGETS[found.target]}"]
    if not jointly and bool(known["lucky"].any()):
        said.append(LUCKY)
    if found.metric.caution:
        said.append(found.metric.caution)
    said += _benches(field, found)
    if found.target == "as_measured" and not equalised and (width := _absolute_width(field, found)) is not None:
        count = len(known)
        said.append(
            "What the bench itself colours is not in it: with the bench's own error the median range is "
            f"{width} of {count} places (--absolute)"
        )
    said += _bounds(found.metric, known)
    return tuple(said)


def _benches(field: Field, found: MetricColumn) -> list[str]:
    """How many values come from benches that nothing has brought in line with the reference bench."""
    rows = np.flatnonzero(found.known)
    open_ = field.out_of_line(found.benches.take(rows)) & (found.benches.tau[rows] > 0)
    if not open_.any() or open_.all():
        return []
    count = int(open_.sum())
    return [
        f"{count} of {len(rows)} values come from benches not in line with "
        f"{bench_words(field.reference_bench or '')}: between "
        "these and the others the benches' own errors count (see `labs`)"
    ]


LEADING = 10  # of a list: so many at its head are looked at for bounds


def _bounds(metric: Metric, known: pl.DataFrame) -> list[str]:
    """Who stands first or last for want of knowledge."""
    said = []
    first, last = known.row(0, named=True), known.row(-1, named=True)
    better, worse = ("at_least", "at_most") if metric.better != "low" else ("at_most", "at_least")
    if first["censored"] == worse:
        said.append(f"{first['speaker']} stands first by a bound: its true value may be worse")
    if last["censored"] == better:
        said.append(f"{last['speaker']} stands last by a bound: its true value may be better")
    leading = known.head(LEADING)
    bounds = int(leading["censored"].is_in([better, "between"]).sum())
    if bounds > 1:
        said.append(
            f"{bounds} of the first {len(leading)} are bounds: their sweeps ended before they did, so they "
            "may be better"
        )
    return said


def _absolute_width(field: Field, found: MetricColumn) -> int | None:
    """Median width of the places with the bench's own error included, as a number of places; None where the bench
    changes nothing."""
    rows = np.flatnonzero(found.known & np.isfinite(found.se))
    if found.metric.group != "response" or len(rows) < ordering.LEAST or not (found.benches.tau[rows] > 0).any():
        return None
    key = ("absolute width", found.metric.id, found.facts["row"].to_numpy()[rows].tobytes())
    width = float(field.remember(key, lambda: np.array([_width_of_some(field, found, rows)]))[0])
    return round(width * len(rows)) if np.isfinite(width) else None


def _width_of_some(field: Field, found: MetricColumn, rows: NDArray[np.int64]) -> float:
    """The same as a share of the field, from a sample of a large one."""
    some = rows if len(rows) <= SAMPLE else np.random.default_rng(len(rows)).choice(rows, SAMPLE, replace=False)
    few = found.take(np.sort(some))
    of_few = field.few(few.facts["speaker_id"].to_list())
    at = of_few.base.select("row", "speaker_id", "setting")
    order = few.facts.select("speaker_id", "setting").join(
        at, on=["speaker_id", "setting"], how="left", maintain_order="left"
    )
    bench = of_few.draws(found.metric.id, "bench_draw")[order["row"].to_numpy()]
    places = ordering.rank_frame(ordering.with_bench(few, bench), None)
    width = (places["rank_high"] - places["rank_low"] + 1).median()
    return width / len(few) if isinstance(width, float) else float("nan")
