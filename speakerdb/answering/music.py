"""What limits a speaker with music: the band that takes most of what it can do, and why
(method:metrics#programme-spl)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from speakerdb import figures
from speakerdb.acoustics import programme
from speakerdb.field.field import Field
from speakerdb.metric import Metric
from speakerdb.metrics.output_rows import PROGRAMME, PROGRAMME_MANAGED

ASKED = {
    PROGRAMME.id: programme.asked_db(programme.SPECTRA["programme"]),
    PROGRAMME_MANAGED.id: programme.asked_db(programme.SPECTRA["programme"], crossover_hz=programme.CROSSOVER_HZ),
}


@dataclass(frozen=True)
class Binds:
    """What limits music in one metric: by (one of programme.CAUSES) at the band of nominal frequency at_hz, which takes
    `share` of what the speaker can do; both None where no single band does. own_driver_db: the level at most, if every
    band had a driver of its own."""

    metric: str
    by: str | None
    at_hz: float | None
    share: float | None
    own_driver_db: float | None

    @property
    def words(self) -> str:
        """'distortion at 50 Hz, where it takes 67 % of what it can do'."""
        if self.by is None or self.at_hz is None:
            return "no single band"
        return (
            f"{self.by} at {figures.hertz(self.at_hz, 3)}, which takes {figures.percent(self.share or 0.0)} of what "
            "it can do there"
        )


def binds(field: Field, row: int) -> list[Binds]:
    """Of one row of the field, a metric at a time; none where nothing is known, nor of a subwoofer, which never plays
    music alone."""
    if field.base["kind"][row] == "subwoofer":
        return []
    low, high, cause = (
        field.curves([name])[name][row, programme.POINTS] for name in ("usable_low", "usable_high", "usable_cause")
    )
    if np.isnan(cause).all():
        return []
    output = np.where(np.isfinite(low), low, np.where(np.isnan(high), np.inf, high)).astype(np.float64)
    found = []
    for name, asked in ASKED.items():
        bound = programme.binding(asked, output)
        if int(bound.band) < 0 or not np.isfinite(programme.level_db(asked, output)):
            continue
        at = int(bound.band)
        single = bool(bound.single) and np.isfinite(cause[at])
        found.append(
            Binds(
                name,
                programme.CAUSES[int(cause[at])] if single else None,
                programme.NOMINAL_HZ[at] if single else None,
                float(bound.share) if single else None,
                float(programme.own_driver_db(asked, output)),
            )
        )
    return found


def sentence(metric: Metric, one: Binds) -> str:
    """'Programme SPL is limited by distortion at 50 Hz, …; at most 104.2 dB if every band had a driver of its own'."""
    text = f"{metric.label} is limited by {one.words}"
    if one.own_driver_db is not None:
        text += f"; at most {metric.quantity.text(one.own_driver_db)} if every band had a driver of its own"
    return text
