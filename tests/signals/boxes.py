"""Vented loudspeakers whose far field and near pressures are solved on a finer mesh than `prepare` uses: truth for the
merge. The bass is Small's vented box (seed_data.model.box, held against theory in its own tests)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from unittest import mock

import numpy as np
from scipy.interpolate import CubicSpline

from seed_data.model import box as bass
from speakerdb.signals import box_solution
from tests.signals import prototypes

SOLVED_HZ = np.geomspace(8.0, 2000.0, 44)  # above, the last value stands
INNER_POINTS = 12


def field_inside_too(of, moving, directions, frequency_hz, speed_m_s):
    """As box_solution.field, with points inside the body where the field must be nothing: then its inner resonances
    leave no trace, and it holds above them (Schenck 1968, from memory)."""
    kernels = box_solution._Kernels(of)
    half = np.abs(of.centre).max(axis=0)
    places = np.random.default_rng(5).uniform(-0.6, 0.6, (INNER_POINTS, 3)) * half
    gap = of.centre[None] - places[:, None]
    r = np.linalg.norm(gap, axis=2)
    slope = np.einsum("ijk,jk->ij", gap, of.normal) / r
    along, facing = directions @ of.centre.T, directions @ of.normal.T
    found = []
    for f in frequency_hz:
        omega = 2 * np.pi * f
        k = omega / speed_m_s
        g, dg = kernels.at(k)
        g_in = np.exp(-1j * k * r) / (4 * np.pi * r) * of.area
        rows = np.vstack([np.eye(len(of.centre)) / 2 - dg, (1j * k + 1 / r) * g_in * slope])
        incident = 1j * omega * box_solution.AIR_KG_M3 * np.vstack([g @ moving, g_in @ moving])
        turned = rows.conj().T
        surface = np.linalg.solve(turned @ rows, turned @ incident)
        ways = np.exp(1j * k * along) * of.area / (4 * np.pi)
        far = (ways * 1j * k * facing) @ surface + 1j * omega * box_solution.AIR_KG_M3 * (ways @ moving)
        found.append((incident[: len(of.centre)], surface, far))
    return box_solution.Field(*(np.array(part) for part in zip(*found, strict=True)))


@dataclass(frozen=True)
class Vented:
    """size_m: height, width, depth. A cone in front and a port somewhere; directions (n, 3)."""

    size_m: tuple[float, float, float]
    cone: box_solution.Piston
    port: box_solution.Piston
    vented: bass.VentedBox
    horizontal: tuple[bool, ...]
    angle_deg: tuple[float, ...]
    element_m: float = 0.024
    crossover_hz: float = 2500.0

    @cached_property
    def _solved(self):
        directions = box_solution.orbit_directions(np.array(self.horizontal), np.array(self.angle_deg))
        mesh = box_solution.mesh(self.size_m, self.element_m)
        with mock.patch.object(box_solution, "field", field_inside_too):
            found = box_solution.solve(mesh, [self.cone, self.port], directions, SOLVED_HZ, prototypes.SPEED_M_S)
        ahead = directions @ np.array(self.cone.centre_m)
        k = 2 * np.pi * SOLVED_HZ / prototypes.SPEED_M_S
        far = found.far * np.exp(-1j * k[:, None] * ahead)[:, :, None]  # time from the cone, in each direction
        return CubicSpline(np.log(SOLVED_HZ), far, axis=0), CubicSpline(np.log(SOLVED_HZ), found.near, axis=0)

    def _velocities(self, f):
        omega = 2 * np.pi * f
        flow = np.stack([bass.vented_cone(f, self.vented), bass.vented_port(f, self.vented)]) / (1j * omega)
        return 5.0 * flow / np.pi / np.array([[self.cone.radius_m**2], [self.port.radius_m**2]])

    def _at(self, which, f):
        return self._solved[which](np.log(np.clip(f, SOLVED_HZ[0], SOLVED_HZ[-1])))

    def far(self, f):
        """(n, F) pressure at 1 m in each direction; above the bass an LR4 crossover to a tweeter at the cone."""
        s = 1j * f / self.crossover_hz
        both = (1 + s**4) / (s**2 + np.sqrt(2) * s + 1) ** 2
        return np.einsum("fds,sf->df", self._at(0, f), self._velocities(f)) * both

    def near(self, f):
        """(2, F) pressure at the microphone close to the cone and to the port, without the tweeter."""
        s = 1j * f / self.crossover_hz
        low = 1 / (s**2 + np.sqrt(2) * s + 1) ** 2
        return np.einsum("fms,sf->mf", self._at(1, f), self._velocities(f)) * low


def bookshelf(angles=(0.0, 30.0, 90.0, 180.0), rear=True, scale=1.0, bass_hz=45.0, element_m=0.024):
    size = (0.38 * scale, 0.21 * scale, 0.27 * scale)
    cone = box_solution.Piston((size[2] / 2, 0.0, -0.06 if rear else 0.02), (1.0, 0.0, 0.0), 0.065, 0.005)
    side = -1.0 if rear else 1.0
    place, normal = (side * size[2] / 2, 0.0, 0.1 if rear else -0.15), (side, 0.0, 0.0)
    port = box_solution.Piston(place, normal, 0.025, 0.003)
    return Vented(size, cone, port, bass.vented(bass_hz, "flat"), (True,) * len(angles), tuple(angles), element_m)


def floorstander(angles=(0.0, 30.0, 90.0, 180.0), bass_hz=35.0, element_m=0.035):
    size = (1.0, 0.2, 0.3)
    cone = box_solution.Piston((0.15, 0.0, 0.15), (1.0, 0.0, 0.0), 0.07, 0.005)
    port = box_solution.Piston((0.15, 0.0, -0.38), (1.0, 0.0, 0.0), 0.035, 0.003)
    return Vented(size, cone, port, bass.vented(bass_hz, "flat"), (True,) * len(angles), tuple(angles), element_m)
