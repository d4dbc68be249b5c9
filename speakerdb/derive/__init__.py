"""A measured session -> values: onto the grid, through the physics, pooled for a speaker."""

from speakerdb.derive.gridding import to_grid
from speakerdb.derive.measuring import Derived, derive
from speakerdb.derive.pooling import Pooled, PooledDraws, pool_draws, pool_table, pool_weights
from speakerdb.derive.uncertainty import SessionUncertainty, averaged_uncertainty, session_uncertainty

__all__ = [
    "Derived",
    "Pooled",
    "PooledDraws",
    "SessionUncertainty",
    "averaged_uncertainty",
    "derive",
    "pool_draws",
    "pool_table",
    "pool_weights",
    "session_uncertainty",
    "to_grid",
]
