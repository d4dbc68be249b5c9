"""A small field for the room question: each speaker a row with figures of its own; what is not named is unremarkable
and exact. The room is large, so that no band lies where it answers in single modes; speakers can do the same in every
band (`output`), so that music is louder than that by FLAT_DB."""

from __future__ import annotations

import numpy as np
import polars as pl

from speakerdb.analysis import chance, seat
from speakerdb.analysis.judging import interval
from speakerdb.analysis.narrowing import FIGURES, Shortlist, shortlist
from speakerdb.analysis.question import Question

FACTS = {
    "kind": "standmount",
    "powered": True,
    "price": 800.0,
    "price_per": "pair",
    "price_reason": None,
    "currency": "EUR",
    "price_kind": "street",
    "price_date": None,
    "height_mm": 300.0,
    "width_mm": 200.0,
    "depth_mm": 250.0,
    "mass_kg": 7.0,
}
VALUES = {
    "programme_level_db": 105.0,
    "programme_level_managed_db": 105.0,
    "clean_level_mid_db": 100.0,
    "clean_level_bass_db": 95.0,
    "f6_hz": 50.0,
    "tone_up_deg": 12.0,
    "preference": 6.0,
    "preference_bass_managed": 7.0,
    "max_level_40hz_db": 90.0,
    "max_level_63hz_db": 98.0,
    "max_level_100hz_db": 104.0,
}
TYPES = {
    "price": pl.Float64,
    "price_per": pl.String,
    "price_reason": pl.String,
    "price_date": pl.Date,
    "mass_kg": pl.Float64,
    "depth_mm": pl.Float64,
    "height_mm": pl.Float64,
    "width_mm": pl.Float64,
    "powered": pl.Boolean,
    "kind": pl.String,
    "currency": pl.String,
}


FLAT_DB = 0.17893  # of the bands of music 50 Hz–10 kHz all alike
VOLUME_M3 = 2000.0


def ask(**changes) -> Question:
    return Question(**{"distance_m": 3.0, "level_db": 88.0, "volume_m3": VOLUME_M3, "reverberation_s": 0.4, **changes})


def spread(se, log=False, other_step=0.0, other_se=0.0, other_share=0.0, count=1) -> chance.Spread:
    """The same for `count` speakers, or of the arrays given."""
    parts = (
        np.broadcast_to(np.asarray(part, float), np.size(se) if np.ndim(se) else count)
        for part in (se, other_step, other_se, other_share)
    )
    return chance.Spread(log, *parts)


def judge(speakers: dict[str, dict], question: Question, di_db: float = 5.0, spreads=None, most=None) -> Shortlist:
    """speakers: name -> changes; a figure may be a number, or (number, censoring word), or a reason in words
    (withheld).

    spreads: of figures that err, by name; the others are exact.
    """
    facts = {name: [s.get(name, usual) for s in speakers.values()] for name, usual in FACTS.items()}
    field = pl.DataFrame(
        {"speaker": list(speakers), "setting": ["plain"] * len(speakers), **facts}, schema_overrides=TYPES
    )
    outputs = [s.get("output", 105.0) for s in speakers.values()]
    figures = {}
    for metric in FIGURES:
        given = [s.get(metric, VALUES[metric]) for s in speakers.values()]
        figures[metric] = interval(
            np.array([g[0] if isinstance(g, tuple) else np.nan if isinstance(g, str) else g for g in given], float),
            [g[1] if isinstance(g, tuple) else "none" for g in given],
            np.array([g if isinstance(g, str) else "not known" for g in given], object),
        )
    reasons = [o if isinstance(o, str) else None for o in outputs]
    for metric in ("programme_level_db", "programme_level_managed_db"):
        figures[metric] = interval(
            np.where([r is not None for r in reasons], np.nan, 105.0), None, np.array(reasons, object)
        )
    exact = {name: spread(0.0, log=name == "f6_hz", count=len(speakers)) for name in chance.bearing(question)}
    bands = bands_of(speakers, outputs, di_db)
    return shortlist(field, figures, {**exact, **(spreads or {})}, bands, seat.sit(question), question, most)


def bands_of(speakers: dict[str, dict], outputs: list, di_db: float) -> seat.Bands:
    """output: a level alike in all bands, one for each, (low, high) where it lies between, or words where unknown."""
    low, high = np.empty((2, len(speakers), 31))
    for i, given in enumerate(outputs):
        ends = (-np.inf, np.inf) if isinstance(given, str) else given if isinstance(given, tuple) else (given, given)
        low[i], high[i] = ends
    each = list(speakers.values())
    window = np.array([s.get("sensitivity_db", np.nan) for s in each], float)[:, None] + np.zeros(31)
    di = np.array([s.get("di_db", di_db) for s in each], float)[:, None] + np.zeros(31)
    cause = np.array([s.get("cause", 0) for s in each], np.int8)[:, None] + np.zeros(31, np.int8)
    return seat.Bands(low, high, cause, window, di)


def one(changes: dict, question: Question, **spreads: chance.Spread) -> tuple[str, dict]:
    """Where a single speaker ends up ('rows', 'near_misses', 'too_far' or 'not_judged'), and its row."""
    found = judge({"it": changes}, question, spreads=spreads)
    for group in ("rows", "near_misses", "too_far", "not_judged"):
        frame = getattr(found, group)
        if len(frame):
            return group, frame.row(0, named=True)
    raise AssertionError("the speaker was dropped")
