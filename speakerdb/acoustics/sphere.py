"""Sound power from directions all around: each weighted by the part of the sphere that is nearest to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def area_weights(azimuth_deg: Array, elevation_deg: Array) -> Array:
    """(n,) shares of the sphere nearest to each direction (Voronoi cells, scipy.spatial.SphericalVoronoi); they sum to
    1.

    Raises ValueError where the directions do not surround the sphere (fewer than four, or all in one plane).
    """
    from scipy.spatial import SphericalVoronoi

    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    points = np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)], axis=1
    )
    points, index, count = _unique(points)
    if len(points) < 4 or np.linalg.matrix_rank(points - points[0], tol=1e-6) < 3:
        raise ValueError("the directions do not surround the sphere")
    areas = SphericalVoronoi(points).calculate_areas() / (4.0 * np.pi)
    return np.asarray(areas[index] / count[index])


def _unique(points: Array) -> tuple[Array, NDArray[np.int64], NDArray[np.int64]]:
    """Directions measured twice (the poles of a grid) share one cell."""
    _, first, index, count = np.unique(
        np.round(points, 6), axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    return points[first], index.reshape(-1), count


def sound_power(level_db: Array, weights: Array) -> Array:
    """Area-weighted mean of p² over directions: level_db (n, F), weights (n,) -> (F,) in dB; NaN where a direction is
    missing."""
    return np.asarray(10.0 * np.log10(weights @ 10.0 ** (level_db / 10.0)))
