"""A measured session -> values: onto the grid, through the physics, pooled for a speaker."""

from speakerdb.derive.gridding import to_grid
from speakerdb.derive.measuring import Derived, derive
from speakerdb.derive.pooling import Pooled, pool_table, pool_weights

__all__ = ["Derived", "Pooled", "derive", "pool_table", "pool_weights", "to_grid"]
