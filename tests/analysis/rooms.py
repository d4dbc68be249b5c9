"""A small field for the room question: each speaker a row with figures of its own; what is not named is unremarkable
and exact."""

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
    "max_level_db": 106.0,
    "balance_level_db": 105.0,
    "balance_level_managed_db": 105.5,
    "sensitivity_db": np.nan,
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


def ask(**changes) -> Question:
    return Question(**{"distance_m": 3.0, "level_db": 100.0, "volume_m3": 60.0, "reverberation_s": 0.4, **changes})


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
    figures = {}
    for metric in FIGURES:
        given = [s.get(metric, VALUES[metric]) for s in speakers.values()]
        figures[metric] = interval(
            np.array([g[0] if isinstance(g, tuple) else np.nan if isinstance(g, str) else g for g in given], float),
            [g[1] if isinstance(g, tuple) else "none" for g in given],
            np.array([g if isinstance(g, str) else "not known" for g in given], object),
        )
    di = np.full((len(speakers), 199), di_db)
    for row, changes in zip(di, speakers.values(), strict=True):
        row[:] = changes.get("di_db", di_db)
    exact = {name: spread(0.0, log=name == "f6_hz", count=len(speakers)) for name in chance.bearing(question)}
    return shortlist(field, figures, {**exact, **(spreads or {})}, di, seat.sit(question), question, most)


def one(changes: dict, question: Question, **spreads: chance.Spread) -> tuple[str, dict]:
    """Where a single speaker ends up ('rows', 'near_misses', 'too_far' or 'not_judged'), and its row."""
    found = judge({"it": changes}, question, spreads=spreads)
    for group in ("rows", "near_misses", "too_far", "not_judged"):
        frame = getattr(found, group)
        if len(frame):
            return group, frame.row(0, named=True)
    raise AssertionError("the speaker was dropped")
