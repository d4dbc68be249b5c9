"""Radiation of a rigid circular piston, and of the shapes that are understood as a piston of changing size."""

from __future__ import annotations

import numpy as np
from scipy.special import j1

from seed_data.model.air import FloatArray, wave_number

HALF_PRESSURE_ARGUMENT = 2.2151  # 2·J1(x)/x = 1/2


def piston_directivity(ka: FloatArray, angle_rad: FloatArray) -> FloatArray:
    """Far-field pressure of a piston in a large baffle re its axis: 2·J1(ka·sin θ)/(ka·sin θ).

    Beranek & Mellow, Acoustics: Sound Fields and Transducers, circular piston in an infinite baffle.
    ka and angle_rad broadcast against each other.
    """
    x = np.abs(np.asarray(ka) * np.sin(angle_rad))
    safe = np.maximum(x, 1e-6)
    return np.where(x < 1e-6, 1.0, 2.0 * j1(safe) / safe)


def decoupled_radius(frequency_hz: FloatArray, radius_m: float, decoupling_hz: float | None) -> FloatArray:
    """Radius in m that still moves: a cone's rim falls behind above its first bending mode, a ∝ 1/√f there.

    A soft cone is meant; the law is our own simplification. None: rigid throughout.
    """
    if decoupling_hz is None:
        return np.full_like(frequency_hz, radius_m)
    return radius_m * (1.0 + (frequency_hz / decoupling_hz) ** 4) ** -0.125


def waveguide_radius(frequency_hz: FloatArray, throat_m: float, mouth_m: float, coverage_deg: float) -> FloatArray:
    """Radius in m of the piston that beams like a waveguide with the full −6 dB angle `coverage_deg`.

    While the mouth is small against the wave it is the mouth itself; above, the part of the wave front that acts
    shrinks as 1/f and so holds the angle: a = 2.215/(k·sin(coverage/2)); it never falls below the throat. Follows the
    piston's −6 dB angle.
    """
    held = HALF_PRESSURE_ARGUMENT / (wave_number(frequency_hz) * np.sin(np.radians(coverage_deg / 2.0)))
    return np.asarray(np.maximum(np.minimum(held, mouth_m), throat_m))
