"""The sound field of pistons in a rigid box: from pressures close to them to the far field in every direction.

Direct boundary elements, constant and collocated: p/2 = ∫(p·∂G/∂n − G·∂p/∂n) with G = e^(−jkr)/(4πr), e^(+jωt) and n
out of the box (Schenck 1968, from memory; irregular frequencies, the box's inner resonances, lie above what is solved).
Axes: x to the front, y to the left, z up, from the box's middle. Lengths in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import FloatArray

ComplexArray = NDArray[np.complex128]

AIR_KG_M3 = 1.204  # at 20 °C; it cancels where pressures are turned into pressures
ELEMENT_M, MOST_ELEMENTS = 0.03, 450  # edge of an element; where there would be more of them it is longer
LOWEST_HZ, FREQUENCIES = 18.0, 24
SUBPOINTS = 6  # a side, of elements that lie near
NEAR = 3.5  # in elements
RINGS, SPOKES = 12, 36  # of Rayleigh's integral over a piston
NEAREST = 4  # elements over which the pressure close to a source is averaged
INNER_RESONANCE = 0.8  # of the box's first inner resonance (of the sum of its three axes): up to there


@dataclass(frozen=True)
class Piston:
    """A flat piston in a face of the box, with a microphone gap_m in front of its middle; count: how many alike."""

    centre_m: tuple[float, float, float]
    normal: tuple[float, float, float]
    radius_m: float
    gap_m: float
    count: int = 1


@dataclass(frozen=True, eq=False)
class Mesh:
    """Rectangles: centre (N, 3), normal (N, 3), half edges u and v (N, 3) each; area (N,)."""

    centre: FloatArray
    normal: FloatArray
    u: FloatArray
    v: FloatArray

    @property
    def area(self) -> FloatArray:
        return np.asarray(4.0 * np.linalg.norm(self.u, axis=1) * np.linalg.norm(self.v, axis=1))


def mesh(size_m: tuple[float, float, float], element_m: float | None = None) -> Mesh:
    """A box of height, width, depth; element_m: edge of an element at most (default: ELEMENT_M, or what makes
    MOST_ELEMENTS)."""
    height, width, depth = size_m
    surface = 2.0 * (height * width + height * depth + width * depth)
    edge = element_m or max(ELEMENT_M, float(np.sqrt(surface / MOST_ELEMENTS)))
    extent = np.array([depth, width, height])
    parts: list[tuple[FloatArray, ...]] = []
    for axis in range(3):
        first, second = (a for a in range(3) if a != axis)
        counts = [max(int(np.ceil(extent[a] / edge - 1e-9)), 2) for a in (first, second)]
        at = [
            (np.arange(n) + 0.5) / n * extent[a] - extent[a] / 2 for n, a in zip(counts, (first, second), strict=True)
        ]
        one, other = (g.ravel() for g in np.meshgrid(*at, indexing="ij"))
        for side in (1.0, -1.0):
            centre, normal, u, v = (np.zeros((one.size, 3)) for _ in range(4))
            centre[:, axis], centre[:, first], centre[:, second] = side * extent[axis] / 2, one, other
            normal[:, axis] = side
            u[:, first], v[:, second] = extent[first] / counts[0] / 2, extent[second] / counts[1] / 2
            parts.append((centre, normal, u, v))
    return Mesh(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def highest_hz(size_m: tuple[float, float, float], radii_m: Sequence[float], speed_m_s: float) -> float:
    """Up to where the solution holds: pistons still small, below the box's inner resonances, six elements a wave."""
    height, width, depth = size_m
    edge = 2.0 * float(max(np.linalg.norm(mesh(size_m).u, axis=1).max(), np.linalg.norm(mesh(size_m).v, axis=1).max()))
    inner = INNER_RESONANCE * speed_m_s / 2.0 * np.sqrt(1 / height**2 + 1 / width**2 + 1 / depth**2)
    return float(min(speed_m_s / (2.0 * np.pi * max(radii_m)), inner, speed_m_s / (6.0 * edge)))


def shares(of: Mesh, pistons: Sequence[Piston]) -> FloatArray:
    """(N, S): how much of each element moves with each piston, so that the piston's area comes out whole."""
    step = (np.arange(SUBPOINTS) + 0.5) / SUBPOINTS * 2.0 - 1.0
    a, b = (g.ravel() for g in np.meshgrid(step, step, indexing="ij"))
    found = np.zeros((len(of.centre), len(pistons)))
    for s, piston in enumerate(pistons):
        on = _face_of(of, piston)
        points = of.centre[on, None] + a[:, None] * of.u[on, None] + b[:, None] * of.v[on, None]
        inside = np.linalg.norm(points - _on_face(of, piston), axis=2) <= piston.radius_m
        found[on, s] = inside.mean(axis=1)
        moving = float(found[:, s] @ of.area)
        if moving == 0.0:  # smaller than a sub-point: all of it in the nearest element
            found[np.flatnonzero(on)[_nearest(of.centre[on], _on_face(of, piston), 1)[0]], s] = 1.0
            moving = float(found[:, s] @ of.area)
        found[:, s] *= piston.count * np.pi * piston.radius_m**2 / moving
    return found


def _face_of(of: Mesh, piston: Piston) -> NDArray[np.bool_]:
    return np.asarray(of.normal @ np.array(piston.normal) > 0.5)


def _on_face(of: Mesh, piston: Piston) -> FloatArray:
    """The piston's centre, moved into the plane of its face."""
    axis = int(np.argmax(np.abs(piston.normal)))
    place = np.array(piston.centre_m, np.float64)
    place[axis] = of.centre[_face_of(of, piston)][0, axis]
    return place


def _nearest(centres: FloatArray, place: FloatArray, count: int) -> NDArray[np.int64]:
    return np.argsort(np.linalg.norm(centres - place, axis=1), kind="stable")[:count]


class _Kernels:
    """∫∂G/∂n and ∫G from every element's middle over every element, for any wave number."""

    def __init__(self, of: Mesh) -> None:
        self.area = of.area
        gap = of.centre[None] - of.centre[:, None]  # (i, j): from i to j
        self.r = np.linalg.norm(gap, axis=2)
        edge = 2.0 * max(np.linalg.norm(of.u, axis=1).max(), np.linalg.norm(of.v, axis=1).max())
        self.i, self.j = np.nonzero(self.r < NEAR * edge)
        np.fill_diagonal(self.r, 1.0)
        self.slope = np.einsum("ijk,jk->ij", gap, of.normal) / self.r
        step = (np.arange(SUBPOINTS) + 0.5) / SUBPOINTS * 2.0 - 1.0
        a, b = (g.ravel() for g in np.meshgrid(step, step, indexing="ij"))
        points = of.centre[self.j, None] + a[:, None] * of.u[self.j, None] + b[:, None] * of.v[self.j, None]
        fine = points - of.centre[self.i, None]
        self.fine_r = np.linalg.norm(fine, axis=2)
        self.fine_slope = np.einsum("pqk,pk->pq", fine, of.normal[self.j]) / self.fine_r
        self.itself = self.i == self.j
        half_u, half_v = np.linalg.norm(of.u, axis=1), np.linalg.norm(of.v, axis=1)
        # ∫1/r over a rectangle from its middle, closed form
        self.static = 4.0 * (half_u * np.arcsinh(half_v / half_u) + half_v * np.arcsinh(half_u / half_v))

    def at(self, k: float) -> tuple[ComplexArray, ComplexArray]:
        """(N, N) each, of a wave number in rad/m."""
        g = np.exp(-1j * k * self.r) / (4.0 * np.pi * self.r) * self.area
        dg = -(1j * k + 1.0 / self.r) * g * self.slope
        weight = self.area[self.j] / SUBPOINTS**2
        wave = np.exp(-1j * k * self.fine_r)
        fine_g = wave / (4.0 * np.pi * self.fine_r)
        fine_dg = -(1j * k + 1.0 / self.fine_r) * fine_g * self.fine_slope
        g[self.i, self.j] = fine_g.sum(axis=1) * weight
        dg[self.i, self.j] = fine_dg.sum(axis=1) * weight
        one = self.itself
        smooth = ((wave[one] - 1.0) / (4.0 * np.pi * self.fine_r[one])).sum(axis=1) * weight[one]
        g[self.i[one], self.j[one]] = smooth + self.static[self.j[one]] / (4.0 * np.pi)
        dg[self.i[one], self.j[one]] = 0.0
        return g, dg


@dataclass(frozen=True, eq=False)
class Field:
    """Of S ways to move, per velocity of 1 m/s: incident (K, N, S), the surface's pressure had it radiated alone into
    free space; surface (K, N, S), as it is on the body; far (K, D, S), referred to 1 m."""

    incident: ComplexArray
    surface: ComplexArray
    far: ComplexArray


def field(of: Mesh, moving: FloatArray, directions: FloatArray, frequency_hz: FloatArray, speed_m_s: float) -> Field:
    """What a body radiates whose elements move by moving (N, S). directions (D, 3): unit vectors."""
    kernels = _Kernels(of)
    identity = np.eye(len(of.centre)) / 2.0
    along, facing = directions @ of.centre.T, directions @ of.normal.T  # (D, N)
    found = []
    for f in frequency_hz:
        omega = 2.0 * np.pi * f
        k = omega / speed_m_s
        g, dg = kernels.at(k)
        incident = 1j * omega * AIR_KG_M3 * (g @ moving)
        surface = np.linalg.solve(identity - dg, incident)
        ways = np.exp(1j * k * along) * of.area / (4.0 * np.pi)
        far = (ways * 1j * k * facing) @ surface + 1j * omega * AIR_KG_M3 * (ways @ moving)
        found.append((incident, surface, far))
    return Field(*(np.array(part) for part in zip(*found, strict=True)))


@dataclass(frozen=True, eq=False)
class Solution:
    """Per velocity of 1 m/s: near (K, S, S) pressure in Pa at the microphone close to source m of source s; far
    (K, D, S) pressure of the far field referred to 1 m, at frequency_hz (K,) in D directions."""

    frequency_hz: FloatArray
    near: ComplexArray
    far: ComplexArray


def solve(
    of: Mesh, pistons: Sequence[Piston], directions: FloatArray, frequency_hz: FloatArray, speed_m_s: float
) -> Solution:
    """The field of each piston alone, close to each and far away."""
    found = field(of, shares(of, pistons), directions, frequency_hz, speed_m_s)
    near = np.zeros((len(frequency_hz), len(pistons), len(pistons)), np.complex128)
    k = 2.0 * np.pi * frequency_hz / speed_m_s
    for m, piston in enumerate(pistons):
        on = np.flatnonzero(_face_of(of, piston))
        close = on[_nearest(of.centre[on], _on_face(of, piston), NEAREST)]
        near[:, m] = found.surface[:, close].mean(axis=1)
        for s, source in enumerate(pistons):
            if source.normal == piston.normal:
                # elements are too coarse for what moves in this face: what it gives before a plane is exact
                exact = _on_its_axis(source, k) if s == m else _before_plane(source, _microphone(of, piston), of, k)
                near[:, m, s] += AIR_KG_M3 * speed_m_s * exact - 2.0 * found.incident[:, close, s].mean(axis=1)
    return Solution(frequency_hz, near, found.far)


def _microphone(of: Mesh, piston: Piston) -> FloatArray:
    return np.asarray(_on_face(of, piston) + piston.gap_m * np.array(piston.normal))


def _on_its_axis(piston: Piston, k: FloatArray) -> ComplexArray:
    """Pressure re ρc on the axis of a piston in an infinite plane, 1 m/s: e^(−jkz) − e^(−jk√(z² + a²))."""
    rim = np.hypot(piston.gap_m, piston.radius_m)
    return np.asarray(np.exp(-1j * k * piston.gap_m) - np.exp(-1j * k * rim))


def _before_plane(piston: Piston, point: FloatArray, of: Mesh, k: FloatArray) -> ComplexArray:
    """The same anywhere: Rayleigh's integral jk/(2π)·∫e^(−jkr)/r over rings of equal area."""
    radius = piston.radius_m * np.sqrt((np.arange(RINGS) + 0.5) / RINGS)
    turn = 2.0 * np.pi * (np.arange(SPOKES) + 0.5) / SPOKES
    axes = [a for a in range(3) if piston.normal[a] == 0.0]
    places = np.tile(_on_face(of, piston), (RINGS * SPOKES, 1))
    places[:, axes[0]] += np.outer(radius, np.cos(turn)).ravel()
    places[:, axes[1]] += np.outer(radius, np.sin(turn)).ravel()
    r = np.linalg.norm(places - point, axis=1)
    area = piston.count * np.pi * piston.radius_m**2 / r.size
    return np.asarray(1j * k * area / (2.0 * np.pi) * (np.exp(-1j * np.outer(k, r)) / r).sum(axis=1))


def far_of_near(solution: Solution, frequency_hz: FloatArray) -> ComplexArray:
    """(F, D, S): far field in each direction per pressure close to each source, over log f between what was solved."""
    from scipy.interpolate import CubicSpline

    ratio = solution.far @ np.linalg.inv(solution.near)
    at = np.log(np.clip(frequency_hz, solution.frequency_hz[0], solution.frequency_hz[-1]))
    return np.asarray(CubicSpline(np.log(solution.frequency_hz), ratio, axis=0)(at))


def orbit_directions(horizontal: NDArray[np.bool_], angle_deg: FloatArray) -> FloatArray:
    """Unit vectors (n, 3) of angles on the orbits: horizontal ones grow to the left, vertical ones upward."""
    angle = np.radians(angle_deg)
    side = np.where(horizontal, np.sin(angle), 0.0)
    return np.column_stack([np.cos(angle), side, np.where(horizontal, 0.0, np.sin(angle))])
