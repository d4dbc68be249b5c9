"""The buyer's answer: the shortlist for a room, with all that has to stand beside it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import exposure, output, programme
from speakerdb.analysis import adjustments, narrowing
from speakerdb.analysis import seat as seating
from speakerdb.analysis.chance import Spread, bearing
from speakerdb.analysis.narrowing import Shortlist
from speakerdb.analysis.question import Question
from speakerdb.analysis.seat import Bands, Seat
from speakerdb.answering.room_cautions import ABOUT, cautions
from speakerdb.field.field import Field
from speakerdb.field.selection import Selection
from speakerdb.metrics import METRICS
from speakerdb.metrics.electrical_rows import SENSITIVITY
from speakerdb.terms import ONE_AT_A_TIME

# Upper limits among the filters become requirements here, so that a near miss is told instead of dropped
_AS_REQUIREMENT = {
    "price_max": "budget",
    "height_max": "height_max_mm",
    "width_max": "width_max_mm",
    "depth_max": "depth_max_mm",
    "mass_max": "mass_max_kg",
}
LEVEL_IS = (
    "peaks: highest short-term RMS (125 ms) of music that the speaker plays cleanly in every band, direct and "
    "reverberant sound; dB(A) taken equal to dB, the safe side"
)


@dataclass(frozen=True, eq=False)
class RoomAnswer:
    """A shortlist with all that has to stand beside it. exposure: hours at the wanted level, by programme."""

    question: Question
    seat: Seat
    currency: str | None
    price_kind: str | None
    filters: str
    found: Shortlist
    exposure: dict[str, float]
    left_out: list[dict[str, Any]]
    cautions: list[str]

    def assumptions(self) -> dict[str, Any]:
        """Everything the answer rests on, as asked or as assumed."""
        q, place = self.question, self.seat
        low, high = place.reverberation_range_s()
        return {
            "distance_m": q.distance_m,
            "volume_m3": place.volume_m3,
            "dimensions_m": q.dimensions_m,
            "surface_m2": place.surface_m2,
            "surface_assumed": place.surface_assumed,
            "reverberation_s": place.reverberation_s,
            "reverberation_assumed": place.reverberation_assumed,
            "reverberation_low_s": low,
            "reverberation_high_s": high,
            "room_constant_m2": place.room_constant_m2,
            "statistical_from_hz": place.statistical_from_hz,
            "room_model_db": seating.MODEL_DB,
            "about": ABOUT,
            "level_db": q.level_db,
            "level_is": LEVEL_IS,
            "programme": q.programme,
            "average_below_peak_db": exposure.AVERAGE_BELOW_PEAK_DB,
            "speakers": 1 if q.single else 2,
            "pair_gain_db": 0.0 if q.single else seating.PAIR_DB,
            "amplifier_w": q.amplifier_w,
            "budget": q.budget,
            "currency": self.currency,
            "price_kind": self.price_kind or "street, else list",
            "height_max_mm": q.height_max_mm,
            "width_max_mm": q.width_max_mm,
            "depth_max_mm": q.depth_max_mm,
            "mass_max_kg": q.mass_max_kg,
            "wall_distance_m": q.wall_distance_m,
            "bass_hz": q.bass_hz,
            "subwoofer_hz": q.subwoofer_hz,
            "spectrum": q.spectrum if q.spectrum_db is None else "your own",
            "bands_from_hz": programme.NOMINAL_HZ[int(np.isfinite(seating.asked_of(q)).argmax())],
            "crest_db": q.crest_db,
            "standing": q.standing,
            "tone_up_deg": q.tone_up_deg,
            "filters": self.filters,
            "order": narrowing.ORDER,
            "near_misses": narrowing.NEAR,
            "exposure": {
                programme: {
                    key.replace(f"_{programme}", ""): hours for key, hours in self.exposure.items() if programme in key
                }
                for programme in exposure.AVERAGE_BELOW_PEAK_DB
            },
        }


def shortlist(field: Field, question: Question, selection: Selection, most: int | None = None) -> RoomAnswer:
    """Judge the field by a room, a seat, a level and limits. Raises RequestError where the question can't be answered.

    most: chance and interval are worked out for the first so many that meet it, and of near misses (None: for all).
    """
    question, selection = _limits(question, selection)
    place = seating.sit(question)
    judged, unknown = selection.split(field)
    judged, left_out = _fit_for_it(judged, question, selection)
    rows = judged["row"].to_numpy()
    figures = {name: figure.take(rows) for name, figure in field.figures(narrowing.FIGURES).items()}
    spreads = {
        name: Spread.of(field.metric_column(METRICS[name], judged, target="another_unit")) for name in bearing(question)
    }
    found = narrowing.shortlist(judged, figures, spreads, bands_of(field, rows), place, question, most)
    if question.wall_distance_m is not None:
        found = _with_wall(found, field, question.wall_distance_m)
    if len(unknown):
        more = unknown.select("speaker", "setting", "kind", "powered", "mass_kg", "reason")
        found = dataclasses.replace(found, not_judged=pl.concat([found.not_judged, more], how="diagonal_relaxed"))
    currency = judged["currency"][0] if len(judged) else selection.currency
    hours = {name: float(h[0]) for name, h in seating.hours(np.array([question.level_db])).items()}
    said = cautions(question, place, found, judged, hours, left_out)
    return RoomAnswer(question, place, currency, selection.price_kind, selection.words(), found, hours, left_out, said)


def bands_of(field: Field, rows: NDArray[np.intp]) -> Bands:
    """What speakers of some rows of the field can do per band."""
    names = ("usable_low", "usable_high", "usable_cause", "listening_window", "di_room")
    found = field.curves(names)
    low, high, cause = (found[name][rows][:, programme.POINTS] for name in names[:3])
    window, di = (found[name][rows].astype(np.float64) for name in names[3:])
    sensitivity = field.figures([SENSITIVITY.id])[SENSITIVITY.id].take(rows).low
    smooth = output.smoothed_db(window)[:, programme.POINTS] - window[:, output.LEVEL_BAND].mean(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        per_volt = np.where(np.isfinite(sensitivity), sensitivity, np.nan)[:, None] + smooth
    return Bands(
        np.where(np.isnan(low), -np.inf, low).astype(np.float64),
        np.where(np.isnan(high), np.inf, high).astype(np.float64),
        np.where(np.isnan(cause), -1, cause).astype(np.int8),
        per_volt,
        di[:, programme.POINTS],
    )


def _fit_for_it(
    judged: pl.DataFrame, question: Question, selection: Selection
) -> tuple[pl.DataFrame, list[dict[str, Any]]]:
    """Those that are sold or used as what is asked for, a pair or one main speaker; and how many of each other kind
    were left out. Kinds that were asked for by name all stand."""
    if any(limit.column == "kind" for limit in selection.limits):
        return judged, []
    kind = pl.col("kind").fill_null("")
    if question.single:
        other = kind == "subwoofer"
    else:
        sold_singly = (kind == "in-wall") & (pl.col("price_sold").fill_null("pair") == "each")
        other = kind.is_in(ONE_AT_A_TIME) | sold_singly
    left = judged.filter(other).group_by("kind").agg(speakers=pl.col("speaker").n_unique()).sort("kind")
    return judged.filter(~other), left.to_dicts()


def _limits(question: Question, selection: Selection) -> tuple[Question, Selection]:
    """The upper limits as requirements of the question, the smaller of two; and the filters without them."""
    moved: dict[str, Any] = {}
    for one in selection.limits:
        if one.name in _AS_REQUIREMENT:
            wish = _AS_REQUIREMENT[one.name]
            own = getattr(question, wish)
            moved[wish] = one.value if own is None else min(own, one.value)
    kept = tuple(one for one in selection.limits if one.name not in _AS_REQUIREMENT)
    return dataclasses.replace(question, **moved), dataclasses.replace(selection, limits=kept)


def _with_wall(found: Shortlist, field: Field, distance_m: float) -> Shortlist:
    """Add to those that meet or nearly meet it: how even each is at the wall, and which of its settings suits it
    best."""
    told = pl.concat([found.rows["speaker"], found.near_misses["speaker"]]).unique()
    rows = np.flatnonzero(field.base["speaker"].is_in(told.implode()).to_numpy())
    curves = field.curves(["in_room", "rear"])
    total = adjustments.before_wall(curves["in_room"][rows].astype(np.float64), curves["rear"][rows], distance_m)
    each = field.base[rows].select(
        "speaker", "setting", wall_ripple_db=pl.Series(total.ripple_db, dtype=pl.Float64).fill_nan(None)
    )
    best = (
        each.filter(pl.col("wall_ripple_db").is_not_null())
        .sort("speaker", "wall_ripple_db", "setting")
        .unique("speaker", keep="first", maintain_order=True)
        .select("speaker", wall_best_setting="setting", wall_best_ripple_db="wall_ripple_db")
    )

    def joined(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.join(each, on=["speaker", "setting"], how="left", maintain_order="left").join(
            best, on="speaker", how="left", maintain_order="left"
        )

    return dataclasses.replace(found, **{name: joined(getattr(found, name)) for name in ("rows", "near_misses")})


def tables(
    answer: RoomAnswer, top: int | None
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame, dict[str, int]]:
    """The rows, the near misses, those too far off and those not judged, as a document has them: figures of one kind in
    a column of their own (price, exposure, bass, wall), the first so many of each; and how many there are."""
    found = answer.found
    parts = (found.rows, found.near_misses, found.too_far, found.not_judged)
    rows, near, far, open_ = (part if top is None else part.head(top) for part in parts)
    fails = found.fails.group_by("key", maintain_order=True).agg(fails=pl.struct("what", "by", "unit", "at_least"))
    near, far = (part.join(fails, on="key", how="left", maintain_order="left") for part in (near, far))
    counts = dict(zip(("rows", "near_misses", "too_far", "not_judged"), map(len, parts), strict=True))
    counts["fit"] = int((found.rows["fits"] == "yes").sum())
    counts["may"] = counts["rows"] - counts["fit"]
    return (
        rows.with_columns(**_nested(rows)),
        near.with_columns(**_nested(near)),
        far.select("speaker", "setting", "fails"),
        open_.select("speaker", "setting", "reason"),
        counts,
    )


def _nested(rows: pl.DataFrame) -> dict[str, pl.Expr]:
    """Columns that hold several figures each."""
    bands = sorted({int(name.split("_")[1][:-2]) for name in rows.columns if name.startswith("bass_")})
    hours = {
        programme: pl.struct(
            niosh_hours_per_day=f"niosh_hours_per_day_{programme}",
            who_hours_per_week=f"who_hours_per_week_{programme}",
            who_hours_per_week_sensitive=f"who_hours_per_week_{programme}_sensitive",
        )
        for programme in exposure.AVERAGE_BELOW_PEAK_DB
    }
    at_wall = [name for name in rows.columns if name.startswith("wall_")]
    wall = pl.struct([pl.col(name).alias(name.removeprefix("wall_")) for name in at_wall]) if at_wall else pl.lit(None)
    return {
        "unit": pl.lit("dB"),
        "speakers_at_work": pl.when("pair").then(2).otherwise(1),
        "price": pl.struct(
            amount="cost",
            per=pl.when("pair").then(pl.lit("pair")).otherwise(pl.lit("one")),
            currency="currency",
            date="price_date",
        ),
        "exposure": pl.struct([figures.alias(programme) for programme, figures in hours.items()]),
        "bass": pl.concat_list(
            pl.struct(
                frequency_hz=pl.lit(float(band)), low_db=f"bass_{band}hz_low_db", high_db=f"bass_{band}hz_high_db"
            )
            for band in bands
        ),
        "wall": wall,
    }
