"""What is a subwoofer's own: its reference and its limits (method:metrics#subwoofers). Curves (..., 199) in dB on
axis."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, response
from speakerdb.acoustics.response import BassLimit

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

REFERENCE = grid.band(40.0, 80.0)  # its level, and that of its drives, where no other band is stated
START = grid.at_or_below(63.0)  # limits are looked for from here, down and up
OUTPUT_HZ = {25: 25.0, 31: 31.5, 40: 40.0, 63: 63.0}  # nominal frequencies that its output is told at, by short name


def reference_db(on_axis_db: Floats) -> Array:
    """(...) mean over 40–80 Hz."""
    return np.asarray(on_axis_db[..., REFERENCE].mean(axis=-1, dtype=np.float64))


def lower_limit(on_axis_db: Array, fall_db: float) -> BassLimit:
    """Where it falls so far below its own reference, walking down from 63 Hz."""
    return response.bass_limit(on_axis_db, reference_db(on_axis_db) - fall_db, START)


def upper_limit(on_axis_db: Array, fall_db: float) -> BassLimit:
    """The same walking up."""
    return response.treble_limit(on_axis_db, reference_db(on_axis_db) - fall_db, START)
