"""What a finite cabinet does to a source on its front: the 6 dB step, edge diffraction, and the shadow behind it.

The direct wave D is that of a piston in an infinite baffle. Where the baffle ends, the missing half space acts as a
ring of secondary sources R along the edge (the edge-source picture of J. Vanderkooy, "A simple theory of cabinet edge
diffraction", J. Audio Eng. Soc. 39, 1991, from memory; every ray gets an equal share). In front the sum is D - R/2,
behind R/2, on the shadow's boundary D/2 as behind a half plane: w·D + (1/2 - w)·R, w going from 1 to 0 across the
boundary. Where the wave is long R = D, and the sum is 1/2 in every direction whatever w is: radiation into the full
space, 6 dB below the half space.
"""

from __future__ import annotations

import numpy as np

from seed_data.model.air import ComplexArray, FloatArray, wave_number

RAYS = 48


def edge_distance_m(ray_rad: FloatArray, left_m: float, right_m: float, below_m: float, above_m: float) -> FloatArray:
    """Distance in m from a source to the edge of a rectangular baffle along rays in its plane, 0 = to the left, π/2 =
    up."""
    cosine, sine = np.cos(ray_rad), np.sin(ray_rad)
    sideways = np.where(cosine >= 0, left_m, right_m) / np.maximum(np.abs(cosine), 1e-9)
    upright = np.where(sine >= 0, above_m, below_m) / np.maximum(np.abs(sine), 1e-9)
    return np.minimum(sideways, upright)


def rounding_factor(frequency_hz: FloatArray, edge_radius_m: float) -> FloatArray:
    """Loss of a rounded edge's diffraction: the secondary source is spread over its arc, |sinc(k·r/2)| (own
    simplification)."""
    return np.abs(np.sinc(wave_number(frequency_hz) * edge_radius_m / 2.0 / np.pi))


def shadow_factor(frequency_hz: FloatArray, depth_m: float, forward: FloatArray) -> FloatArray:
    """Further loss behind the cabinet, 1/(1 + k·depth/10·|cos θ|), (n, F); 1 in front (own simplification).

    forward (n,): cosine of the angle to the axis.
    """
    behind = np.maximum(-forward, 0.0)[:, None]
    return 1.0 / (1.0 + wave_number(frequency_hz)[None, :] * depth_m / 10.0 * behind)


def lit_share(frequency_hz: FloatArray, forward: FloatArray, edge_m: float) -> FloatArray:
    """w, (n, F): how far a direction lies in the direct wave, 1/2 on the shadow's boundary at 90°.

    (1 + tanh 2ν)/2 with Fresnel's parameter of an edge at distance edge_m, ν = 2·sin(Δ/2)·√(2·edge/λ), Δ the angle to
    the boundary; tanh in place of Fresnel's integral. forward (n,): cosine of the angle to the axis.
    """
    to_boundary = np.pi / 2.0 - np.arccos(np.clip(forward, -1.0, 1.0))
    parameter = 2.0 * np.sin(to_boundary / 2.0)[:, None] * np.sqrt(wave_number(frequency_hz) * edge_m / np.pi)[None, :]
    return 0.5 * (1.0 + np.tanh(2.0 * parameter))


def cabinet_response(
    frequency_hz: FloatArray,
    directions: FloatArray,
    edges_m: FloatArray,
    rays_rad: FloatArray,
    direct: FloatArray,
    grazing: FloatArray,
    edge_radius_m: float,
    depth_m: float,
) -> ComplexArray:
    """Pressure re the half-space axis of one source on a finite cabinet, (n, F).

    directions (n, 3): unit vectors, x forward, y left, z up. edges_m, rays_rad (R,). direct (n, F): the source's own
    directivity (of its mirror image behind the baffle); grazing (F,): that towards the edges, at 90°.
    """
    k = wave_number(frequency_hz)
    toward = directions[:, 1:2] * np.cos(rays_rad) + directions[:, 2:3] * np.sin(rays_rad)
    path = edges_m * (1.0 - toward)  # (n, R): longer than the direct way by this much
    ring = np.zeros((directions.shape[0], frequency_hz.size), dtype=np.complex128)
    for ray in range(path.shape[1]):
        ring += np.exp(-1j * path[:, ray : ray + 1] * k)
    ring *= grazing / path.shape[1] * rounding_factor(frequency_hz, edge_radius_m)
    ring *= shadow_factor(frequency_hz, depth_m, directions[:, 0])
    lit = lit_share(frequency_hz, directions[:, 0], float(np.mean(edges_m)))
    return np.asarray(lit * direct + (0.5 - lit) * ring)
