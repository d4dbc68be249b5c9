"""The numbers behind a picture of one speaker: frequencies down and curves across, or its places in the field."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.answering import standing
from speakerdb.charts.curves_chart import CURVE_LABELS
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.library import Database
from speakerdb.report import frames, words
from speakerdb.report.pictures import PICTURES, Ask
from speakerdb.web import parameters
from speakerdb.web.drawing import speaker_ask

Rows = list[Sequence[Any]]


def _wide(frame: pl.DataFrame, on: str, value: str, names: Callable[[Any], str]) -> pl.DataFrame:
    """frequency_hz, then a column for each entry of `on`."""
    wide = frame.pivot(on, index="frequency_hz", values=value, aggregate_function="first").sort("frequency_hz")
    return wide.rename(lambda name: name if name == "frequency_hz" else names(name))


def _degrees(name: str) -> str:
    return figures.joined(figures.plain(float(name)), "°")


def _drive(name: str) -> str:
    return f"at {figures.DB.text(float(name))}"


def _curves(a: Ask) -> pl.DataFrame:
    parts = list(CURVE_LABELS)
    frame = frames.summary(a.base, a.speaker, a.setting, parts)
    order = [p for p in parts if p in set(frame["part"])]
    return _wide(frame, "part", "level_db", str).select(
        "frequency_hz", *(pl.col(p).alias(CURVE_LABELS[p]) for p in order)
    )


def _map(plane: str) -> Callable[[Ask], pl.DataFrame]:
    def table(a: Ask) -> pl.DataFrame:
        orbit = frames.orbit(a.session.grid, plane)
        columns = sorted(zip(orbit.angle_deg, orbit.level_db, strict=True), key=lambda pair: pair[0])
        levels = {_degrees(str(angle)): level for angle, level in columns}
        return pl.DataFrame({"frequency_hz": grid.FREQUENCY_HZ, **levels})

    return table


def _beamwidth(a: Ask) -> pl.DataFrame:
    frame = frames.beamwidths(a.session.grid).with_columns(of=pl.concat_str("plane", "reference", separator=", re "))
    return _wide(frame, "of", "beamwidth_deg", str)


def _sweeps(kind: str, value: str) -> Callable[[Ask], pl.DataFrame]:
    def table(a: Ask) -> pl.DataFrame:
        for session in frames.measured(a.base, a.speaker, a.setting):
            if getattr(session.grid, kind) is not None:
                return _wide(getattr(frames, kind)(session.grid), "drive_db", value, _drive)
        raise RequestError(f"no {kind} of {a.speaker} was measured in setting {a.setting}")

    return table


_TABLES: dict[str, Callable[[Ask], pl.DataFrame]] = {
    "curves": _curves,
    "angles": lambda a: _wide(frames.off_axis(a.session.grid), "angle_deg", "level_db", _degrees),
    "map-horizontal": _map("horizontal"),
    "map-vertical": _map("vertical"),
    "beamwidth": _beamwidth,
    "distortion": _sweeps("distortion", "level_db"),
    "compression": _sweeps("compression", "change_db"),
}


def of_picture(base: Database, name: str, ask: parameters.Ask) -> tuple[str, str, str, list[str], Rows]:
    """(slug, setting, title, headings, rows) of a picture; the first column is the frequency in Hz, the rest dB or
    degrees.

    Raises UnknownNameError, RequestError.
    """
    if name not in _TABLES:
        raise UnknownNameError(f"there is no table of {name!r}; there are {', '.join(_TABLES)}")
    chosen = speaker_ask(base, ask)
    table = _TABLES[name](chosen).fill_nan(None)
    return chosen.speaker, chosen.setting, PICTURES[name].title, table.columns[1:], list(table.iter_rows())


def of_place(base: Database, ask: parameters.Ask) -> tuple[str, str, str, list[dict[str, str]]]:
    """(slug, setting, group in words, rows) behind the strips: metric, value, its interval, place.

    Raises UnknownNameError.
    """
    chosen = speaker_ask(base, ask)
    group = standing.group_of(base, chosen.speaker)
    places = standing.standing(base, chosen.speaker, group).places
    rows = [
        {
            "metric": p.metric.id,
            "value": p.text,
            "interval": p.metric.quantity.interval_text(p.low, p.high),
            "place": words.share(p),
        }
        for p in places
    ]
    return chosen.speaker, chosen.setting, group.counted, rows
