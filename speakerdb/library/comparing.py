"""Speakers against each other and against the field, with what the data can carry: compare, percentile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl

from speakerdb.analysis import compare as comparing
from speakerdb.analysis import percentile as placing
from speakerdb.analysis.compare import Origin
from speakerdb.analysis.field import MetricColumn
from speakerdb.dictionary import METRICS, MetricDef
from speakerdb.errors import RequestError
from speakerdb.library.field import Field
from speakerdb.store import Store

MODEL = "about the models: the spread between samples counts"
UNIT = "about the unit measured: the same sample stands on both sides"
NOT_MODELLED = "positioning of the microphone is not modelled"
NOT_WORKED_OUT = "its uncertainty is not worked out yet; run `speakerdb derive`"
Side = tuple[int, str]  # speaker_id, setting


@dataclass(frozen=True)
class CompareAnswer:
    """rows: the frame of analysis.compare without withheld rows; withheld: metric, a, b, reason; about: whom the statement
    is about; differing: how many of the rows differ at a false discovery rate of 5 %; cautions."""

    rows: pl.DataFrame
    withheld: pl.DataFrame
    about: str
    differing: int
    cautions: tuple[str, ...]


def origins(store: Store, rows: pl.DataFrame) -> list[Origin]:
    """What each row's (speaker_id, setting) sessions were measured with."""
    found = store.frame(
        """
        SELECT s.speaker_id, s.setting,
               list(DISTINCT l.name || '|' || s.method || '|' || coalesce(s.calibration, '')) AS calibrations,
               list(DISTINCT s.speaker_id::VARCHAR || '|' || s.sample) AS samples,
               list(DISTINCT l.name || '|' || coalesce(s.run, s.speaker_id::VARCHAR || '|' || s.sample || '|' || s.date::VARCHAR)) AS runs
        FROM session s JOIN lab l USING (lab_id) WHERE s.status = 'active' AND list_contains(?, s.speaker_id)
        GROUP BY s.speaker_id, s.setting
        """,
        [rows["speaker_id"].to_list()],
    )
    keys = {(speaker, setting): Origin(*(frozenset(k) for k in rest)) for speaker, setting, *rest in found.iter_rows()}
    return [keys[key] for key in rows.select("speaker_id", "setting").iter_rows()]


def rows_of(field: Field, sides: Sequence[Side]) -> pl.DataFrame:
    """The field's rows of these speakers and settings, in this order."""
    wanted = pl.DataFrame(
        {"speaker_id": [s[0] for s in sides], "setting": [s[1] for s in sides]},
        schema_overrides={"speaker_id": field.base.schema["speaker_id"]},
    )
    return wanted.join(field.frame(), on=["speaker_id", "setting"], how="left", maintain_order="left")


def column(field: Field, metric: MetricDef, rows: pl.DataFrame) -> MetricColumn:
    """A metric over rows of the field; withheld where its uncertainty has not been worked out: nothing can be told apart then."""
    found = field.metric_column(metric, rows)
    bare = found.known & np.isnan(field.draws(metric.id)[rows["row"].to_numpy()]).any(axis=1)
    if not bare.any():
        return found
    value, corrected, lower, upper = (
        np.where(bare, np.nan, x) for x in (found.value, found.corrected, found.lower, found.upper)
    )
    return replace(
        found, value=value, corrected=corrected, lower=lower, upper=upper, draws=np.where(bare[:, None], np.float32(np.nan), found.draws),
        reason=np.where(bare, NOT_WORKED_OUT, found.reason),
    )  # fmt: skip


def compare(store: Store, field: Field, sides: Sequence[Side], metrics: Sequence[MetricDef] | None = None) -> CompareAnswer:  # fmt: skip
    """Differences of every pair of the sides, in the metrics asked for or all that are ranked. Raises RequestError."""
    if len(set(sides)) < max(len(sides), 2):
        raise RequestError(
            "compare needs two different speakers or settings, e.g. `compare sill-5 sill-8` or `compare sill-5@plain sill-5@desk`"
        )
    rows = rows_of(field, sides)
    wanted = [m for m in METRICS.values() if m.ranked] if metrics is None else list(metrics)
    columns = [column(field, m, rows) for m in wanted]
    pairs = list(combinations(range(len(sides)), 2))
    source = origins(store, rows)
    frame = comparing.compare(columns, pairs, source)
    ok, withheld = frame.filter(pl.col("reason").is_null()), frame.filter(pl.col("reason").is_not_null())
    same_unit = all(source[i].samples == source[j].samples for i, j in pairs)
    return CompareAnswer(
        ok, withheld.select("metric", "a", "setting_a", "b", "setting_b", "reason"), UNIT if same_unit else MODEL,
        int(ok["differs"].sum()), (NOT_MODELLED,),
    )  # fmt: skip


@dataclass(frozen=True)
class PercentileAnswer:
    """rows: metric, label, unit, value, censored, peers, percentile, low, high, reason; peers: in words, and the slugs."""

    speaker: str
    setting: str
    rows: pl.DataFrame
    words: str
    peers: tuple[str, ...]


def percentile(field: Field, side: Side, metrics: Sequence[MetricDef] | None = None, *, factor: float = placing.FACTOR,
               among: Sequence[str] | None = None, among_words: str = "") -> PercentileAnswer:  # fmt: skip
    """A speaker's place among its peers: of its kind, price and size within a factor, or the speakers named. Raises RequestError."""
    if factor < 1:
        raise RequestError(f"factor {factor:g}: expected 1 or more")
    frame = field.frame()
    key = (pl.col("speaker_id") == side[0]) & (pl.col("setting") == side[1])
    rows = frame.filter(pl.col("is_default") | key)
    row = rows.with_row_index("at").filter(key)["at"].item()
    peers = placing.peers_of(rows, row, factor) if among is None else placing.named_peers(rows, row, among, among_words)
    members = rows[list(peers.rows)]
    own = peers.rows.index(row)
    wanted = [m for m in METRICS.values() if m.ranked] if metrics is None else list(metrics)
    columns = [column(field, m, members) for m in wanted]
    found = placing.percentiles(columns, own, placing.Peers(tuple(range(len(members))), peers.words))
    reasons = [
        c.reason[own] or "not worked out" if not c.known[own]
        else f"{n} peers of whom it is known; at least {placing.LEAST} are needed" if n < placing.LEAST else None
        for c, n in zip(columns, found["peers"], strict=True)
    ]  # fmt: skip
    answer = found.select(
        "metric", label=pl.Series([m.label for m in wanted]), unit=pl.Series([m.unit for m in wanted]),
        value=pl.Series([float(c.value[own]) for c in columns]).fill_nan(None), censored=pl.Series([c.censored[own] for c in columns]),
        peers="peers", percentile="percentile", low="low", high="high", reason=pl.Series(reasons, dtype=pl.String),
    )  # fmt: skip
    others = tuple(s for i, s in enumerate(members["speaker"]) if i != own)
    return PercentileAnswer(members["speaker"][own], side[1], answer, peers.words, others)
