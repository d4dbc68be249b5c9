"""Questions to the whole field: one property against another, over time, between labs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from speakerdb import derive as deriving
from speakerdb.analysis import frontier, grouping, offsets, properties, slopes
from speakerdb.analysis.frontier import TradeOff
from speakerdb.analysis.offsets import Labs, Measured
from speakerdb.analysis.properties import Property
from speakerdb.analysis.slopes import Trend
from speakerdb.answering.comparing import column
from speakerdb.errors import RequestError
from speakerdb.field import error_models, repeats
from speakerdb.field.field import Field
from speakerdb.field.naming import find_metric, some
from speakerdb.field.selection import Selection
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS, RANKED
from speakerdb.session import GridSession
from speakerdb.statistics.error_model import ErrorModel, bench_key, bench_words
from speakerdb.statistics.learning import BenchPair
from speakerdb.store import Store, reading, session_rows

_BATCH_SESSIONS = 64
MOST_NAMED = 8  # speakers in a sentence


def _metric(name: str) -> Metric:
    metric = find_metric(name)
    if not metric.ranked:
        raise RequestError(f"{metric.id} is a setting of the measurement or the amplifier, no property of the speaker")
    return metric


def property_of(field: Field, name: str, rows: pl.DataFrame) -> Property:
    """A metric by its id or an unambiguous part of it, or a fact: price, volume_l, mass_kg, height_mm, year, … Raises
    UnknownNameError."""
    if name in properties.FACTS:
        first = field.metric_column(next(iter(METRICS.values())), rows)
        return properties.of_fact(name, first, rows["currency"][0] if len(rows) else None)
    return properties.of_metric(column(field, _metric(name), rows))


def tradeoff(
    field: Field, x: str, y: str, selection: Selection, *, with_line: bool = True
) -> tuple[Property, Property, TradeOff, pl.DataFrame]:
    """Two properties over the selection, what was found, and what could not be judged (speaker, setting, reason);
    with_line: work out the line that one in ten beats. Raises RequestError, UnknownNameError."""
    judged, unknown = selection.split(field)
    px, py = property_of(field, x, judged), property_of(field, y, judged)
    found = frontier.tradeoff(judged, px, py, with_line=with_line)
    not_judged = pl.concat([found.unknown, unknown.select("speaker", "setting", "reason")], how="vertical_relaxed")
    return px, py, found, not_judged


def notes(x: Property, y: Property, found: TradeOff) -> list[str]:
    """What the columns of a trade-off say, and of whom one can't be told, in sentences."""
    up = "up" if x.better == "low" else "down"
    said = [
        "On the frontier: how likely no other is at least as good in both and better in one.",
        f"Expected: by the others, from {x.name} and kind; makers: of how many makers the others of its kind are.",
    ]
    if x.fact:
        beaten = (
            f"Beaten from: going {up} in {x.name}, the first from which on it is more likely beaten than not; "
            "by: whose it is."
        )
        said.insert(1, beaten)
        for (reason,), group in found.rows.drop_nulls("beaten_reason").group_by("beaten_reason", maintain_order=True):
            names = group["speaker"].unique(maintain_order=True).to_list()
            told = "can't be told" if reason == frontier.ONLY_BOUNDS else "not judged"
            said.append(f"Beaten from, {told}: {some(names, MOST_NAMED)}: {reason}.")
    for metric in (METRICS.get(p.id) for p in (x, y)):
        if metric is not None and metric.caution:
            said.append(f"{metric.label}: {metric.caution[:1].lower()}{metric.caution[1:]}.")
    return said


def expectation(field: Field, x: str, y: str, selection: Selection) -> pl.DataFrame:
    """What x and kind lead to expect of y over the selection, a row per speaker of whom both are known, as in a
    trade-off."""
    judged, _ = selection.split(field)
    return frontier.expectation(judged, property_of(field, x, judged), property_of(field, y, judged))


OVER = {"volume": "volume_l", "mass": "mass_kg"}  # short names of facts


def trend(
    field: Field, metrics: Sequence[str], over: str, selection: Selection
) -> tuple[tuple[Metric, ...], str, tuple[Trend, ...], pl.DataFrame]:
    """Metrics over a quantity (year, price, volume, … or another metric) or a grouping (kind, layout, enclosure), a row
    per speaker: the metrics, what they are set over, a trend for each, and those that the filters can't judge. q counts
    all of them together. Raises RequestError, UnknownNameError."""
    if selection.all_settings:
        raise RequestError("a trend has one row per speaker: leave out --all-settings")
    judged, unknown = selection.split(field)
    found = []
    chosen = tuple(_metric(m) for m in metrics)
    x = None if over in grouping.GROUPINGS else property_of(field, OVER.get(over, over), judged)
    for metric in chosen:
        c = column(field, metric, judged)
        if x is None:
            found.append(grouping.over_groups(c, over))
        elif x.id == metric.id:
            raise RequestError(f"{x.id} over itself is no trend")
        else:
            found.append(slopes.over_quantity(c, x))
    return chosen, OVER.get(over, over), tuple(slopes.with_q(found)), unknown.select("speaker", "setting", "reason")


FEW_SHARED = "an offset between benches is known only from speakers that both have measured, in their default setting"
LEFT = "what is left once aligned is told by the speakers that the alignment was learned from"
UNALIGNED = (
    "benches that are not aligned are compared as they are: `speakerdb derive --learn` shows what there is to "
    "align them"
)


def labs(
    store: Store, metrics: Sequence[str] | None = None
) -> tuple[Labs, tuple[BenchPair, ...], Mapping[str, str], tuple[str, ...]]:
    """How much the benches differ, from speakers in their default setting that two of them have measured: offsets and
    pairs of benches; how their listening windows lie to one another, by the specimens that both have measured; bench ->
    the bench that it is aligned to; cautions. Raises RequestError."""
    heads = session_rows.shared_by_benches(store.con)
    if not len(heads):
        raise RequestError(
            "no speaker has been measured on two benches (by two labs, methods or calibrations) in its "
            "default setting: "
            "they can't be compared"
        )
    wanted = [m.id for m in RANKED] if metrics is None else [_metric(m).id for m in metrics]
    model, benches = error_models.current(store), repeats.sessions_by_bench(store)
    sessions = _measured(store, heads, wanted, model)
    alone = [bench_words(bench) for bench in sorted(benches.keys() - {s.bench for s in sessions})]
    cautions = [FEW_SHARED]
    if alone:
        cautions.append(f"no speaker is shared with {', '.join(alone)}: nothing is known of how it differs")
    cautions.append(LEFT if model.alignments else UNALIGNED)
    found = offsets.labs(sessions, wanted, sorted(benches, key=lambda bench: (-benches[bench], bench)))
    aligned = {bench: a.to_bench for bench, a in model.alignments.items()}
    return found, repeats.bench_pairs(store), aligned, tuple(cautions)


def _measured(store: Store, heads: pl.DataFrame, metrics: Sequence[str], model: ErrorModel) -> list[Measured]:
    """Values worked out from the curves, as measured and aligned, whatever the file holds."""
    found = []
    for part in heads.iter_slices(_BATCH_SESSIONS):
        grids = reading.grid_sessions(store.con, part["session_id"].to_list())
        raw = _exact_values(grids, metrics)
        aligned = _exact_values(error_models.aligned(grids, model), metrics) if model.alignments else raw
        for speaker, grid, values, in_line in zip(part["speaker"], grids, raw, aligned, strict=True):
            bench = bench_key(grid.info.lab, grid.info.method, grid.info.calibration)
            found.append(Measured(speaker, bench, grid.info.sample, values, model.bench_of(bench), in_line))
    return found


def _exact_values(grids: Sequence[GridSession], metrics: Sequence[str]) -> list[dict[str, float]]:
    table = deriving.derive(grids, metrics).values
    exact = np.isfinite(table.value) & (table.censored == 0)
    return [
        {m: float(v) for m, v, e in zip(table.metrics, row, ok, strict=True) if e}
        for row, ok in zip(table.value, exact, strict=True)
    ]
