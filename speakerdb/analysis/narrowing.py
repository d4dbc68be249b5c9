"""Which speakers fit a room, a seat, a budget and a shelf: what meets the question, what just misses it, what cannot be
judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import programme
from speakerdb.analysis import chance, judging, seat
from speakerdb.analysis.judging import FloatArray, Interval, Requirement
from speakerdb.analysis.question import Question
from speakerdb.analysis.requirements import (
    NEAR_BASS,
    NEAR_LEVEL_DB,
    NEAR_MASS,
    NEAR_PRICE,
    NEAR_SIZE,
    NEAR_TONE_DEG,
    cost_of,
    numbers,
    requirements,
)
from speakerdb.metrics.directivity_rows import TONE
from speakerdb.metrics.output_rows import CLEAN_BASS, CLEAN_MID, PROGRAMME, PROGRAMME_MANAGED, USABLE
from speakerdb.metrics.response_rows import F6, PREFERENCE, PREFERENCE_BASS_MANAGED
from speakerdb.terms import ONE_AT_A_TIME

COMFORTABLE_DB = 3.0  # with so much in hand, preference decides (own judgement)
NEAREST_MISSES = 5  # so many misses are told even where none is near
FIGURES = tuple(
    m.id
    for m in (
        PROGRAMME,
        PROGRAMME_MANAGED,
        CLEAN_MID,
        CLEAN_BASS,
        F6,
        TONE["up"],
        PREFERENCE,
        PREFERENCE_BASS_MANAGED,
        *USABLE.values(),
    )
)
ORDER = (
    f"those with at least {figures.plain(COMFORTABLE_DB)} dB of headroom come first, by predicted preference "
    "(withheld: after the others); the rest "
    "that suit follow by headroom, then those that may, by headroom in a room in between; ties by headroom, "
    "then by name"
)
NEAR = (
    f"a miss is near by no more than {figures.plain(NEAR_LEVEL_DB)} dB of level, "
    f"{figures.percent(NEAR_PRICE)} of price, {figures.percent(NEAR_SIZE)} of size, "
    f"{figures.percent(NEAR_MASS)} of mass, {figures.percent(NEAR_BASS)} of the LF extension and "
    f"{figures.plain(NEAR_TONE_DEG)}° of tone, in each; "
    f"the nearest {NEAREST_MISSES} are named in any case; ordered by the sum of the misses in these units"
)


@dataclass(frozen=True, eq=False)
class Shortlist:
    """rows: those that meet everything (fits "yes") and those that may, as the room carries the bass (fits "may"), the
    best first; near_misses (with `unknown`: what could not be judged besides)
    and too_far: those that surely miss, the nearest first.

    fails: every single miss: key (as in near_misses and too_far), what, by, unit, at_least (it misses by that or more).
    not_judged: with `reason`. The frames other than fails carry speaker, setting and the levels.
    """

    rows: pl.DataFrame
    near_misses: pl.DataFrame
    too_far: pl.DataFrame
    fails: pl.DataFrame
    not_judged: pl.DataFrame


def shortlist(
    field: pl.DataFrame,
    figures: Mapping[str, Interval],
    spreads: Mapping[str, chance.Spread],
    bands: seat.Bands,
    place: seat.Seat,
    question: Question,
    most: int | None = None,
) -> Shortlist:
    """Judge every row of the field by its values, and say how likely a unit that one would buy meets the question.

    field: speaker, setting, kind, powered, price (of what is bought), price_per, price_reason, currency, height_mm,
    width_mm, depth_mm, mass_kg. figures: the pooled values named in FIGURES, (n,). bands: what each can do per band.
    spreads: those of the figures that `chance.bearing` names. most: chance and interval of the level are worked out,
    the slowest part, for the first so many of `rows` and of `near_misses` and null in all others (None: for every row).
    """
    pair = ~field["kind"].is_in(ONE_AT_A_TIME).fill_null(False).to_numpy() & question.pair
    sizes = np.stack([numbers(field, f"{side}_mm") for side in ("height", "width", "depth")])
    largest = np.where(np.isnan(sizes).all(axis=0), np.nan, np.fmax.reduce(sizes)) / 1000.0
    powered = np.array(field["powered"].to_list(), object)
    why_not = figures[seat.level_metric(question).id].reason
    levels = seat.levels(place, question, bands, powered, pair, largest, why_not)
    cost = cost_of(field, pair)
    wanted = requirements(field, figures, levels.at_seat, cost, question)
    state = judging.judge(wanted)
    table = _table(field, figures, levels, cost, pair, question)
    table = table.with_columns(**_bass(place, figures, bands, pair, question))

    meeting = _order(np.flatnonzero(state == judging.MEETS), wanted[0].margin.low, table["preference"])
    may = np.flatnonzero(state == judging.MAY)
    may = may[np.argsort(-levels.middle.low[may], kind="stable")]
    meeting = np.concatenate([meeting, may])
    table = table.with_columns(fits=pl.Series(np.where(state == judging.MAY, "may", "yes")))
    misses = np.flatnonzero(state == judging.MISSES)
    misses = misses[np.argsort(judging.remoteness(wanted)[misses], kind="stable")]
    told = judging.is_near(wanted)[misses] | (np.arange(len(misses)) < NEAREST_MISSES)
    open_ = np.flatnonzero(state == judging.NOT_JUDGED)
    reasons = judging.why_open(wanted, open_)
    unknown = [reason or None for reason in judging.why_open(wanted, misses[told])]
    known = chance.Known(field, figures, spreads, powered, pair, largest, cost, bands)
    likely = np.arange(len(field)) if most is None else np.concatenate([meeting[:most], misses[told][:most]])
    table = table.with_columns(**_chances(known, likely, place, question))
    return Shortlist(
        rows=table[meeting],
        near_misses=table[misses[told]].with_columns(unknown=pl.Series(unknown, dtype=pl.String)),
        too_far=table[misses[~told]],
        fails=_fails(wanted, np.flatnonzero(state == judging.MISSES)),
        not_judged=table[open_].with_columns(
            p_meets=pl.lit(None, pl.Float64),
            reason=pl.Series(reasons, dtype=pl.String),
        ),
    )


def _fails(wanted: Sequence[Requirement], misses: NDArray[np.intp]) -> pl.DataFrame:
    parts = []
    for requirement in wanted:
        rows = misses[requirement.missed[misses]]
        margin = requirement.margin
        parts.append(
            pl.DataFrame(
                {
                    "key": rows.astype(np.int64),
                    "by": -margin.high[rows],
                    "at_least": margin.low[rows] < margin.high[rows],
                }
            ).with_columns(what=pl.lit(requirement.what), unit=pl.lit(requirement.unit))
        )
    return pl.concat(parts).select("key", "what", "by", "unit", "at_least").sort("key", maintain_order=True)


def _order(rows: NDArray[np.intp], margin: NDArray[np.floating[Any]], preference: pl.Series) -> NDArray[np.intp]:
    """The rows that meet everything, in the order stated in ORDER."""
    points = preference.fill_null(float("-inf")).to_numpy()[rows]
    comfortable = margin[rows] >= COMFORTABLE_DB
    keys = (-margin[rows], np.where(comfortable, -points, 0.0), ~comfortable)
    return np.asarray(rows[np.lexsort(keys)])


def _table(
    field: pl.DataFrame,
    figures: Mapping[str, Interval],
    levels: seat.Levels,
    cost: Interval,
    pair: NDArray[np.bool_],
    question: Question,
) -> pl.DataFrame:
    """One row per row of the field, with everything that is told about it; unknown figures null."""
    at_seat, sign = levels.middle.best()
    direct, _ = levels.direct.best()
    one, _ = levels.delivered.best()
    clean = np.fmin(figures[CLEAN_MID.id].low, one)
    if question.subwoofer_hz is None:
        clean = np.minimum(clean, figures[CLEAN_BASS.id].low)
    preference = figures[(PREFERENCE if question.subwoofer_hz is None else PREFERENCE_BASS_MANAGED).id]
    columns: dict[str, FloatArray] = {
        "level_at_seat_db": at_seat,
        "margin_db": at_seat - question.level_db,
        "level_direct_db": direct,
        "delivered_db": one,
        "clean_level_db": clean + levels.gain_db,
        "amplifier_needed_w": levels.amplifier_w,
        "cost": cost.best()[0],
        "preference": preference.best()[0],
    }
    f6, f6_sign = figures[F6.id].best()
    tone, tone_sign = figures[TONE["up"].id].best()
    numbers = {**columns, "lf_extension_hz": f6, "tone_up_deg": tone, **seat.hours(at_seat)}
    finite = {name: pl.Series(np.where(np.isfinite(a), a, np.nan)).fill_nan(None) for name, a in numbers.items()}
    return field.select(
        "speaker", "setting", "kind", "powered", "currency", "price_kind", "price_date", "mass_kg"
    ).with_columns(
        key=pl.int_range(len(field), dtype=pl.Int64),
        censored=pl.Series(sign),
        limited_by=pl.Series(levels.limited_by.tolist(), dtype=pl.String),
        limited_at_hz=pl.Series(levels.limited_at_hz).fill_nan(None),
        pair=pl.Series(pair),
        preference_censored=pl.Series(preference.best()[1]),
        lf_extension_censored=pl.Series(f6_sign),
        tone_up_censored=pl.Series(tone_sign),
        **finite,
    )


def _chances(known: chance.Known, rows: NDArray[np.intp], place: seat.Seat, question: Question) -> dict[str, pl.Series]:
    """Of some rows, null in the others: p_meets_low and p_meets_high; p_meets, the lower one: where a figure is open,
    at least that; level_low_db and level_high_db, null where open."""
    found = chance.chances(known.take(rows), place, question)
    ends = np.full((4, len(known.pair)), np.nan)
    ends[:, rows] = found.p_low, found.p_high, found.level_low_db, found.level_high_db
    low, high, level_low, level_high = (
        pl.Series(np.where(np.isfinite(end), end, np.nan)).fill_nan(None) for end in ends
    )
    return {
        "p_meets": low,
        "p_meets_low": low,
        "p_meets_high": high,
        "level_low_db": level_low,
        "level_high_db": level_high,
    }


def _bass(
    place: seat.Seat,
    figures: Mapping[str, Interval],
    bands: seat.Bands,
    pair: NDArray[np.bool_],
    question: Question,
) -> dict[str, pl.Series]:
    """bass_40hz_low_db, bass_40hz_high_db and so on; without those that a subwoofer takes over."""
    found = {}
    for band in USABLE:
        frequency = float(band)
        if frequency < (question.subwoofer_hz or 0.0):
            continue
        di = bands.di_db[:, programme.band_of(frequency)]
        ends = seat.bass(place, figures[USABLE[band].id], frequency, di, pair)
        for end, level in zip(("low", "high"), ends, strict=True):
            found[f"bass_{band}hz_{end}_db"] = pl.Series(level).fill_nan(None)
    return found
