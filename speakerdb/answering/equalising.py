"""What equalisation mends as an answer: the filters with their coefficients, what they cost in level, filters for
frequencies that ring in a room."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import biquads, bounds, exposure, output, programme, response, room
from speakerdb.acoustics.bounds import Bounded
from speakerdb.acoustics.room import Mode
from speakerdb.analysis import filter_fitting
from speakerdb.analysis.filter_fitting import Filter
from speakerdb.field.field import Field
from speakerdb.field.mending import Mended
from speakerdb.metric import CENSORED
from speakerdb.terms import Censoring

Array = NDArray[np.float64]

MODES_UP_TO_HZ = 200.0
NEAR_A_MODE = 0.05  # of its frequency
RINGING_GAIN_DB = -6.0  # to begin with: how strongly it rings at a seat is not known here (own judgement)
RINGING_Q = (3.0, 8.0)
RINGS_OCT_S = 2.2  # a mode that dies away in T is 2.2/T wide between its half-power points (handbook)
NO_SWEEPS = "Levels withheld: they need compression or distortion at two drives or more."


@dataclass(frozen=True)
class Ringing:
    """A frequency that rings in the room: the filter for it, and the mode of the room next to it, if one is near."""

    filter: Filter
    mode: Mode | None


def ringing(
    frequencies_hz: Sequence[float], sides_m: tuple[float, float, float] | None, reverberation_s: float
) -> list[Ringing]:
    """A cut for each frequency, about as wide as a mode of that reverberation time."""
    known = room.modes(sides_m, MODES_UP_TO_HZ * (1.0 + NEAR_A_MODE)) if sides_m else []
    found = []
    for f in frequencies_hz:
        q = float(np.clip(f * reverberation_s / RINGS_OCT_S, *RINGING_Q))
        nearest = min(known, key=lambda mode: abs(mode.frequency_hz - f), default=None)
        near = nearest if nearest and abs(nearest.frequency_hz / f - 1.0) <= NEAR_A_MODE else None
        found.append(Ringing(Filter("peaking", f, RINGING_GAIN_DB, q), near))
    return found


def rows(filters: Sequence[tuple[Filter, str]], sampling_hz: float) -> list[dict[str, Any]]:
    """Filters as an answer has them. Each with what it is for: 'speaker' or 'room'."""
    found = []
    for one, purpose in filters:
        b, a = biquads.coefficients(one.kind, one.frequency_hz, one.gain_db, one.q, sampling_hz)
        found.append(
            {
                "type": one.kind,
                "frequency_hz": one.frequency_hz,
                "gain_db": one.gain_db,
                "q": one.q,
                "b": b.tolist(),
                "a": a.tolist(),
                "purpose": purpose,
            }
        )
    return found


SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "type": pl.String,
    "frequency_hz": pl.Float64,
    "gain_db": pl.Float64,
    "q": pl.Float64,
    "b": pl.List(pl.Float64),
    "a": pl.List(pl.Float64),
    "purpose": pl.String,
}


def pregain_db(filters: Sequence[Filter], sampling_hz: float) -> float:
    """What to turn down before filters, so that nothing comes out louder than it went in."""
    return min(0.0, -float(filter_fitting.together_db(filters, sampling_hz).max()))


def gain_db(mended: Mended) -> float:
    """What the filters in use change of the mean level over 300 Hz–3 kHz."""
    return float(mended.added_db[response.REFERENCE].mean())


def level(field: Field, row: int, added_db: Array) -> Bounded:
    """() programme SPL at 1 m of a row of the field that plays music as it is, with what filters add, told at its
    listening window's mean over 300 Hz–3 kHz. What it can do in each band is not changed by filters."""
    curves = field.curves(["listening_window", "usable_low", "usable_high"])
    window = curves["listening_window"][row].astype(np.float64) + added_db
    bands = output.smoothed_db(window)[programme.POINTS] - response.mean(window, response.REFERENCE)
    asked = programme.asked_db(programme.played_db(programme.SPECTRA["programme"], bands))
    low, high = (curves[name][row].astype(np.float64)[programme.POINTS] for name in ("usable_low", "usable_high"))
    ends = (
        programme.level_db(asked, np.where(np.isnan(low), -np.inf, low)),
        programme.level_db(asked, np.where(np.isnan(high), np.inf, high)),
    )
    return bounds.from_ends(*ends, programme.SAME_DB)


def cautions(mended: Mended, ring: Sequence[Ringing], before: Bounded, after: Bounded) -> list[str]:
    """What has to be said beside the filters."""
    said = []
    if mended.withheld:
        said.append(f"No filters are given: {mended.withheld}.")
    elif not mended.filters:
        said.append("No filters are given: nothing that all directions share stands out of the errors.")
    if np.isnan(before.value):
        said.append(NO_SWEEPS)
    if mended.in_use:
        said.append(
            f"The filters move the level by {figures.number(gain_db(mended), 1, signed=True)} dB (mean over 300 Hz–3 "
            "kHz): turned up to make up for that, the bass is turned up too."
        )
        said.append("They are for the unit that was measured: another one may need others.")
    if ring:
        said.append(
            f"Filters for the room begin at {figures.DB.text(RINGING_GAIN_DB, signed=True)}: measure at the seat and "
            "adjust. They are cuts alone: a dip is a cancellation; move the speaker or the seat, don't boost it."
        )
    if mended.in_use and not np.isnan(after.value):
        said.append(f"Levels as told can harm hearing. {exposure.ADVICE}")
    return said


def told_after(mended: Mended, before: pl.DataFrame) -> pl.DataFrame:
    """Values with the filters, in the rows and columns of before (of `stored.show`, of mending.JUDGED)."""
    table = mended.after
    if table is None:
        return before
    found = []
    for row in before.iter_rows(named=True):
        j = table.metrics.index(row["metric"])
        value, numbers = float(table.value[0, j]), {name: float(c[0, j]) for name, c in table.uncertainty.items()}
        stated = {name: known(numbers[name]) for name in _FROM_UNCERTAINTY}
        limited = numbers["noise_limited"]
        found.append(
            row
            | stated
            | {
                "value": known(value),
                "censored": CENSORED[table.censored[0, j]],
                "status": "withheld" if np.isnan(value) else "ok",
                "reason": table.reason.get((0, row["metric"])),
                "noise_limited": None if np.isnan(limited) else bool(limited),
            }
        )
    return pl.DataFrame(found, before.schema)


_FROM_UNCERTAINTY = ("se", "low", "high", "other_value", "other_low", "other_high", "other_share")


def censoring(level: Bounded) -> Censoring:
    """Which kind of bound one level is."""
    return cast(Censoring, CENSORED[int(level.code)])


def known(x: float) -> float | None:
    return x if np.isfinite(x) else None


COLUMNS = ("type", "frequency_hz", "gain_db", "q", "b0", "b1", "b2", "a1", "a2", "sampling_hz", "purpose")


def as_csv(filters: Sequence[dict[str, Any]], sampling_hz: float) -> str:
    """One filter a row, coefficients with a0 = 1."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(COLUMNS)
    for one in filters:
        head = [one[name] for name in COLUMNS[:4]]
        out.writerow([*head, *one["b"], *one["a"][1:], sampling_hz, one["purpose"]])
    return text.getvalue()


def as_json(filters: Sequence[dict[str, Any]], sampling_hz: float, pregain_db: float) -> str:
    """The same as JSON."""
    return json.dumps({"sampling_hz": sampling_hz, "pregain_db": pregain_db, "filters": list(filters)}, indent=2) + "\n"
