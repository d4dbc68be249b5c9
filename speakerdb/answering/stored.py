"""Answers as frames: what is stored, one speaker, one value's descent, ranks, relatives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.acoustics.output import SWEPT_WORDS
from speakerdb.analysis import nearness
from speakerdb.analysis.metric_column import ENDS_OF
from speakerdb.answering import method_figures, telling
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.field import error_models
from speakerdb.field.field import Field
from speakerdb.field.naming import find_metric
from speakerdb.field.selection import Selection
from speakerdb.metric import Electrical, Metric, Pattern, Read, Swept
from speakerdb.metrics import METRICS
from speakerdb.store import Store, session_rows, speakers, values
from speakerdb.terms import Target

NO_SUBWOOFER = "it is the only subwoofer, and these are compared among themselves"
ONLY_SUBWOOFERS = "all others are subwoofers, which are compared among themselves"
VALUE_COLUMNS = ("value", "se", "low", "high", "censored", "status", "reason")


def list_speakers(field: Field, store: Store, currency: str | None) -> pl.DataFrame:
    """One row per speaker: speaker, maker, model, kind, powered, year, price, currency, settings, sessions, labs,
    samples."""
    counts = speakers.session_counts(store.con)
    columns = ["speaker", "maker", "model", "kind", "powered", "year", "volume_l", "mass_kg", "price", "currency"]
    return (
        field.frame(currency)
        .filter(pl.col("is_default"))
        .select("speaker_id", *columns)
        .join(counts, on="speaker_id", how="left", maintain_order="left")
        .drop("speaker_id")
    )


def _values_frame(rows: pl.DataFrame) -> pl.DataFrame:
    """Add unit and label from the dictionary, in the dictionary's order."""
    order = {m: i for i, m in enumerate(METRICS)}
    units = {m.id: m.unit for m in METRICS.values()}
    return (
        rows.filter(pl.col("metric").is_in(list(order)))
        .with_columns(
            unit=pl.col("metric").replace_strict(units, return_dtype=pl.String),
            _order=pl.col("metric").replace_strict(order, return_dtype=pl.Int32),
        )
        .sort("setting", "_session", "_order", nulls_last=False)
        .drop("_order", "_session")
    )


def show(
    store: Store, speaker_id: int, setting: str | None, *, all_settings: bool = False, target: Target = "as_measured"
) -> pl.DataFrame:
    """All values of one speaker: pooled rows (session null) first, then each active session's.

    Columns: session, setting, lab, sample, date, metric, value, unit, se, low, high, censored, status, reason,
    disagree; noise_limited: the noise may make more than half of the interval; other_value, other_low, other_high,
    other_share: the second branch of a value that is one of two. low, high: for `target`.
    """
    settings = settings_of(store, speaker_id)
    chosen = list(settings) if all_settings else [pick_setting(settings, setting)]
    pooled = values.shown_pooled(store.con, speaker_id, chosen, ENDS_OF[target])
    single = values.shown_single(store.con, speaker_id, chosen, ENDS_OF[target])
    return _values_frame(pl.concat([pooled, single], how="vertical_relaxed"))


def settings_of(store: Store, speaker_id: int) -> dict[str, bool]:
    """setting -> whether it is the default one."""
    return speakers.settings(store.con, speaker_id)


def pick_setting(settings: dict[str, bool], wanted: str | None) -> str:
    """The wanted setting, else the default one; raises UnknownNameError with the settings there are."""
    if not settings:
        raise UnknownNameError("the speaker has no active session: all are withdrawn or replaced")
    if wanted is None:
        return next(iter(settings))
    if wanted not in settings:
        raise UnknownNameError(f"the speaker has no setting {wanted!r}; it has {', '.join(settings)}")
    return wanted


@dataclass(frozen=True)
class Descent:
    """Where a value comes from: value -> definition -> curve -> source file and hash."""

    speaker: str
    setting: str
    metric: Metric
    values: pl.DataFrame  # the rows of `show` of this metric
    curve: pl.DataFrame  # frequency_hz, level of the curve that it is read from; empty where there is none
    sources: pl.DataFrame  # session, lab, sample, date, folder, file, sha256, size
    alignments: tuple[str, ...]  # what was added to curves of its benches, in sentences
    metric_version: int

    @property
    def read(self) -> str:
        """What it is read from, in words."""
        return read_words(self.metric.reads[0])


def read_words(read: Read) -> str:
    """What a metric reads: 'listening window', 'sweeps of compression, 300 Hz–3 kHz', 'single curves (H 0, ±10), 1–10
    kHz'."""
    if isinstance(read, Pattern) and not read.name:
        return f"single curves ({method_figures.directions(read.slots)}), {read.band}"
    if isinstance(read, Swept):
        at = "" if read.at_db is None else f" at a drive of {figures.plain(read.at_db)} dB"
        return f"sweeps of {SWEPT_WORDS[read.kind]}{at}, {read.band}"
    if isinstance(read, Electrical):
        words = {
            "impedance": f"impedance, {read.band}",
            "phase": f"phase of the impedance, {read.band}",
            "voltage": "drive voltage",
        }
        return words[read.key]
    return read.name.replace("_", " ")


def explain(store: Store, speaker_id: int, slug: str, metric_name: str, setting: str | None) -> Descent:
    """How one value of one speaker came about. Raises UnknownNameError."""
    metric = find_metric(metric_name)
    chosen = pick_setting(settings_of(store, speaker_id), setting)
    shown = show(store, speaker_id, chosen).filter(pl.col("metric") == metric.id)
    curve = pl.DataFrame(schema={"frequency_hz": pl.Float64, "level": pl.Float64})
    if metric.curve and len(level := values.pooled_curve(store.con, metric.curve, speaker_id, chosen)):
        from speakerdb.acoustics.grid import FREQUENCY_HZ

        curve = pl.DataFrame({"frequency_hz": FREQUENCY_HZ, "level": level}, schema=curve.schema)
    sources = session_rows.sources_of(store.con, speaker_id, chosen)
    version = values.metric_versions(store.con).get(metric.id, 0)
    aligned = error_models.alignments_of(store, speaker_id, chosen)
    return Descent(slug, chosen, metric, shown, curve, sources, aligned, version)


def metrics_frame(metric: str | None = None) -> pl.DataFrame:
    """The dictionary, or one row of it: id, label, unit, better, definition, source, step, matters, group, ranked."""
    wanted = METRICS.values() if metric is None else [find_metric(metric)]
    return pl.DataFrame(
        [
            {
                "id": m.id,
                "label": m.label,
                "unit": m.unit,
                "better": m.better,
                "definition": m.definition,
                "source": m.source,
                "step": m.step,
                "matters": m.matters,
                "group": m.group,
                "ranked": m.ranked,
            }
            for m in wanted
        ]
    )


def match(
    store: Store,
    field: Field,
    speaker_id: int,
    setting: str,
    selection: Selection,
    weights: Mapping[str, float],
    top: int | None,
) -> pl.DataFrame:
    """Speakers that measure like one in one setting, nearest first; those that can't be compared are left out, those
    compared on fewer curves come last.

    Columns: speaker, setting, distance_db, one column in dB per part (null where a side lacks it), bass_from_hz (the
    lowest frequency that bass was compared at), distinguishable (null: not judged), reason (why not).
    """
    base = field.base
    own = int(np.flatnonzero(((base["speaker_id"] == speaker_id) & (base["setting"] == setting)).to_numpy())[0])
    frame = field.remember(("distances", own, tuple(weights.items())), lambda: _distances(field, own, weights))
    judged, _ = selection.split(field)
    alone = base["kind"][own] == "subwoofer"  # these are compared among themselves
    alike = (pl.col("kind") == "subwoofer") == alone
    others = base.filter(pl.col("speaker_id") != speaker_id)
    if len(others) and not len(others.filter(alike)):
        raise RequestError(NO_SUBWOOFER if alone else ONLY_SUBWOOFERS)
    wanted = judged.filter(alike, pl.col("speaker_id") != speaker_id).select("row", "speaker_id", "setting", "speaker")
    rows = wanted.join(frame, on=["speaker_id", "setting"], how="left", maintain_order="left").fill_nan(None)
    # one compared on fewer of the curves that this speaker has is no nearer relative for what it lacks
    core = [pl.col(p).is_null().cast(pl.Int8) for p in nearness.CORE if np.isfinite(frame[p][own])]
    fewer = [pl.sum_horizontal(core)] if core else []
    rows = rows.filter(pl.col("distance_db").is_not_null()).sort(*fewer, "distance_db", "speaker")
    if top is not None:
        rows = rows.head(top)
    if not len(rows) and len(wanted):
        raise RequestError(
            "no other subwoofer can be compared: no octave of bass up to 100 Hz was measured of both"
            if alone
            else "no other speaker can be compared: neither listening window nor in-room curve of both is whole over "
            f"{figures.band(*grid.named(nearness.WIDE))}"
        )
    told = telling.told_apart(store, field, own, rows["row"].to_list(), weights)
    return rows.select("speaker", "setting", "distance_db", *nearness.CURVES, "bass_from_hz").with_columns(
        distinguishable=pl.Series([t.differently for t in told], dtype=pl.Boolean),
        reason=pl.Series([t.reason for t in told], dtype=pl.String),
    )


def _distances(field: Field, own: int, weights: Mapping[str, float]) -> pl.DataFrame:
    """Distance in dB of one row of the field to every row, and its parts; NaN where they can't be compared."""
    curves = telling.matched_curves(field, telling.compared_by(field, own))
    found = nearness.distances({n: c[own] for n, c in curves.items()}, curves, weights)
    return field.base.select("speaker_id", "setting").with_columns(
        distance_db=pl.Series(found.total_db),
        bass_from_hz=pl.Series(found.bass_from_hz),
        **{part: pl.Series(distance) for part, distance in found.parts.items()},
    )
