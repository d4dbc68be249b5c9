"""Electrical impedance of a driver and of a passive two- or three-way network. Complex ohms."""

from __future__ import annotations

import numpy as np

from seed_data.model.air import ComplexArray, FloatArray


def driver_impedance(
    frequency_hz: FloatArray, resistance_ohm: float, peak_ohm: float, motional: ComplexArray, inductance_h: float
) -> ComplexArray:
    """Re + Res·motional + a lossy coil, (jω)^0.7 instead of jωL (Leach's semi-inductance, J. Audio Eng. Soc. 50,
    2002)."""
    omega = 2.0 * np.pi * frequency_hz
    knee = 2.0 * np.pi * 1000.0  # at 1 kHz the magnitude is that of the plain coil
    coil = inductance_h * knee * (1j * omega / knee) ** 0.7
    return np.asarray(resistance_ohm + peak_ohm * motional + coil)


def parallel(*branches: ComplexArray) -> ComplexArray:
    """1/Z = Σ 1/Zi."""
    return np.asarray(1.0 / np.sum([1.0 / branch for branch in branches], axis=0))


def low_pass_branch(frequency_hz: FloatArray, load: ComplexArray, nominal_ohm: float, corner_hz: float) -> ComplexArray:
    """Input impedance of a second-order low-pass (coil in series, capacitor across the load) for a nominal load.

    Linkwitz–Riley values: L = 2R/ω, C = 1/(2Rω).
    """
    omega, corner = 2.0 * np.pi * frequency_hz, 2.0 * np.pi * corner_hz
    coil = np.asarray(1j * omega * 2.0 * nominal_ohm / corner, dtype=np.complex128)
    capacitor = np.asarray(2.0 * nominal_ohm * corner / (1j * omega), dtype=np.complex128)
    return coil + parallel(load, capacitor)


def high_pass_branch(
    frequency_hz: FloatArray, load: ComplexArray, nominal_ohm: float, corner_hz: float
) -> ComplexArray:
    """The same for the high-pass: C = 1/(2Rω) in series, L = 2R/ω across the load."""
    omega, corner = 2.0 * np.pi * frequency_hz, 2.0 * np.pi * corner_hz
    capacitor = np.asarray(2.0 * nominal_ohm * corner / (1j * omega), dtype=np.complex128)
    coil = np.asarray(1j * omega * 2.0 * nominal_ohm / corner, dtype=np.complex128)
    return capacitor + parallel(load, coil)
