"""The box solution against the series of a rigid sphere, and against a monopole.

A point source on a rigid sphere: p = Σ A_n·h_n(kr)·P_n with A_n = −jρc(2n+1)U/(4πa²·h_n'(ka)), spherical Hankel
functions of the second kind (Morse & Ingard, Theoretical Acoustics; Williams, Fourier Acoustics; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from speakerdb.signals import box_solution as box

SPEED = 343.2
TURNED = np.arange(0.0, 181.0, 30.0)


def sphere_far(k, radius_m, angle_deg, volume_velocity=1.0):
    """(angles,) far field of a point source at 0° referred to 1 m."""
    n = np.arange(30)
    slope = spherical_jn(n, k * radius_m, True) - 1j * spherical_yn(n, k * radius_m, True)
    amplitude = -1j * box.AIR_KG_M3 * SPEED * (2 * n + 1) * volume_velocity / (4 * np.pi * radius_m**2 * slope)
    terms = amplitude * 1j ** (n + 1) / k * eval_legendre(n, np.cos(np.radians(angle_deg))[:, None])
    return np.nansum(np.where(np.isfinite(terms), terms, 0.0), axis=1)


def box_far(size_m, frequency_hz, radius_m=0.02):
    piston = box.Piston((size_m[2] / 2, 0.0, 0.0), (1.0, 0.0, 0.0), radius_m, 0.005)
    directions = box.orbit_directions(np.ones(len(TURNED), bool), TURNED)
    solution = box.solve(box.mesh(size_m), [piston], directions, np.array(frequency_hz), SPEED)
    return solution.far[:, :, 0] / (np.pi * radius_m**2)


@pytest.mark.parametrize("size_m", [(0.38, 0.21, 0.27), (0.3, 0.3, 0.3)])
def test_a_small_box_radiates_as_a_monopole_where_waves_are_long(size_m):
    """ωρU/(4πr), in every direction."""
    found = box_far(size_m, [2.0])[0]
    monopole = 2 * np.pi * 2.0 * box.AIR_KG_M3 / (4 * np.pi)
    assert np.abs(20 * np.log10(np.abs(found) / monopole)).max() < 0.005


def meshed_sphere(radius_m, side=9):
    """A cube's faces blown up to a sphere: parallelograms whose areas are scaled to 4πa²."""
    at = np.tan((np.arange(side) + 0.5) / side * np.pi / 2 - np.pi / 4)
    slope = (1 + at**2) * np.pi / 4 / side  # half a step
    one, other = (g.ravel() for g in np.meshgrid(at, at, indexing="ij"))
    d_one, d_other = (g.ravel() for g in np.meshgrid(slope, slope, indexing="ij"))
    parts = []
    for axis in range(3):
        first, second = (a for a in range(3) if a != axis)
        for sign in (1.0, -1.0):
            ray = np.zeros((one.size, 3))
            ray[:, axis], ray[:, first], ray[:, second] = sign, one, other
            length = np.linalg.norm(ray, axis=1, keepdims=True)
            normal = ray / length
            edges = []
            for a, d in ((first, d_one), (second, d_other)):
                step = np.zeros_like(ray)
                step[:, a] = d
                edges.append(radius_m / length * (step - (step * normal).sum(axis=1, keepdims=True) * normal))
            parts.append((radius_m * normal, normal, *edges))
    centre, normal, u, v = (np.concatenate(p) for p in zip(*parts, strict=True))
    area = 4 * np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1)
    fit = np.sqrt(4 * np.pi * radius_m**2 / area.sum())
    return box.Mesh(centre, normal, u * fit, v * fit)


def test_a_meshed_sphere_follows_the_series_in_every_direction():
    """A cap's share of volume velocity at 0°; the sphere has the volume of a box of 380 × 210 × 270 mm."""
    radius = (0.38 * 0.21 * 0.27 * 3 / (4 * np.pi)) ** (1 / 3)
    sphere = meshed_sphere(radius)
    moving = (sphere.centre[:, :1] / radius > 0.985).astype(float)
    volume_velocity = float(moving[:, 0] @ sphere.area)
    frequency = np.array([30.0, 60.0, 100.0, 150.0, 200.0])
    directions = box.orbit_directions(np.ones(len(TURNED), bool), TURNED)
    found = box.field(sphere, moving, directions, frequency, SPEED).far[:, :, 0] / volume_velocity
    series = np.array([sphere_far(2 * np.pi * f / SPEED, radius, TURNED) for f in frequency])
    assert np.abs(20 * np.log10(np.abs(found) / np.abs(series))).max() < 0.05


@pytest.mark.parametrize("size_m", [(0.38, 0.21, 0.27), (0.3, 0.3, 0.3)])
def test_a_box_is_near_a_sphere_of_its_volume(size_m):
    """Another body, so only nearly: within 0.05 dB to 60 Hz, 0.3 dB to 200 Hz."""
    radius = (np.prod(size_m) * 3 / (4 * np.pi)) ** (1 / 3)
    frequency = [30.0, 60.0, 100.0, 200.0]
    found = box_far(size_m, frequency)
    series = np.array([sphere_far(2 * np.pi * f / SPEED, radius, TURNED) for f in frequency])
    apart = np.abs(20 * np.log10(np.abs(found) / np.abs(series)))
    assert apart[:2].max() < 0.05
    assert apart.max() < 0.3


def test_the_series_itself_tends_to_the_plane_and_to_the_monopole():
    low, high = sphere_far(0.01, 0.2, np.array([0.0]))[0], sphere_far(60.0, 0.2, np.array([0.0]))[0]
    monopole = SPEED * box.AIR_KG_M3 / (4 * np.pi)  # per wave number
    assert abs(low) / (0.01 * monopole) == pytest.approx(1.0, abs=1e-3)
    assert 20 * np.log10(abs(high) / (60.0 * monopole)) == pytest.approx(6.0, abs=0.6)
