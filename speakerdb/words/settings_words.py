"""What settings change, in sentences and at the octaves that are shown."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.analysis import adjustments
from speakerdb.answering.setting_changes import ControlReach, WallAnswer

SHOWN_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)


def octave_rows(difference_db: NDArray[np.float64]) -> list[float | None]:
    """A difference curve (199,) 1/3-octave smoothed at the nominal octave frequencies, None where not measured."""
    smooth = grid.smooth_third_octave(difference_db)
    found = [float(smooth[int(np.argmin(np.abs(grid.FREQUENCY_HZ - f)))]) for f in SHOWN_HZ]
    return [v if np.isfinite(v) else None for v in found]


def wall_sentence(wall: WallAnswer) -> str:
    """Which setting suits the wall, and why."""
    head = (
        f"A wall {figures.plain(wall.distance_m)} m behind lifts the bass and puts a dip at "
        f"{figures.number(wall.first_dip_hz)} Hz. "
    )
    if wall.best is None:
        return (
            head
            + "Which setting suits it is not judged: "
            + "; ".join(f"{s}: {r}" for s, r in wall.reasons.items())
            + "."
        )
    ripple = dict(zip(wall.settings, wall.total.ripple_db, strict=True))
    others = [
        f"{s} {figures.DB.text(r)}"
        for s, r in sorted(ripple.items(), key=lambda p: p[1])
        if s != wall.best and np.isfinite(r)
    ]
    against = f", against {', '.join(others)}" if others else "; no other setting was judged"
    return (
        f"{head}Flattest between 40 and 300 Hz: {wall.best}, {figures.DB.text(ripple[wall.best])} standard "
        f"deviation{against}."
    )


def control_sentence(found: ControlReach) -> str:
    """What a control does, in one sentence."""
    name = found.control.name
    if found.reach is None:
        return f"Control {name}: its range can't be told, since {found.control.problem}."
    positions = ", ".join(
        f"{position} ({setting})"
        for (position, _), setting in zip(found.control.positions, found.settings, strict=True)
    )
    fixed = ", ".join(f"{key} {position}" for key, position in found.control.fixed.items())
    head = f"Control {name}, positions {positions}{f', with {fixed}' if fixed else ''}: "
    reach = found.reach
    if reach.most_hz is None:
        return head + f"moves the listening window by no more than {figures.plain(adjustments.HEARD_DB)} dB anywhere."
    at = int(np.argmin(np.abs(grid.FREQUENCY_HZ - reach.most_hz)))
    span = figures.joined(figures.DB.interval(reach.low_db[at], reach.high_db[at], signed=True), "dB")
    bands = " and ".join(f"from {figures.number(low)} to {figures.number(high)} Hz" for low, high in reach.acts_hz)
    return (
        f"{head}moves the listening window by more than {figures.plain(adjustments.HEARD_DB)} dB {bands}, "
        f"most at {figures.number(reach.most_hz)} Hz ({span} re {found.reference})."
    )
