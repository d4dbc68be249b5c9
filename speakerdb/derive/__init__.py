"""A measured session -> values: onto the grid, through the physics, pooled for a speaker."""

from speakerdb.derive.gridding import axis_notes, to_grid
from speakerdb.derive.measuring import Derived, derive
from speakerdb.derive.pooling import (
    Grouping,
    PooledSpread,
    Spread,
    open_ends,
    pool_listening_axis,
    pool_spread,
    pool_table,
    reach_upper_ends,
)
from speakerdb.derive.uncertainty import SessionUncertainty, own_uncertainty, session_uncertainty

__all__ = [
    "Derived",
    "Grouping",
    "PooledSpread",
    "SessionUncertainty",
    "Spread",
    "axis_notes",
    "derive",
    "open_ends",
    "own_uncertainty",
    "pool_listening_axis",
    "pool_spread",
    "pool_table",
    "reach_upper_ends",
    "session_uncertainty",
    "to_grid",
]
