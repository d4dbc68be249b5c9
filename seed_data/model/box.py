"""Low-frequency alignments: sealed and vented boxes, what the cone and the port each give, and the efficiency they
cost.

R. H. Small, "Closed-Box Loudspeaker Systems" (1972) and "Vented-Box Loudspeaker Systems" (1973), J. Audio Eng. Soc.;
transfer functions from memory, held against their asymptotes in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.model.air import SOUND_SPEED_M_S, ComplexArray, FloatArray

SEALED_EFFICIENCY = 2.0e-6  # η0 = k·f3³·V, s³/m³ (Small, from memory: the best a sealed box does)
VENTED_EFFICIENCY = 3.9e-6  # the same for a vented box


@dataclass(frozen=True)
class VentedBox:
    """Driver resonance fs and Qts, box resonance fb, compliance ratio α = Vas/Vb, and the box losses QL."""

    fs_hz: float
    qts: float
    fb_hz: float
    alpha: float
    ql: float = 7.0


@dataclass(frozen=True)
class SealedBox:
    """Resonance and Q of the driver in its box."""

    fc_hz: float
    qtc: float


# Butterworth vented alignment with QL = 7 (Small 1973, from memory); tuned low; too much Q
_VENTED_SHAPES = {"flat": (1.0, 0.405, 1.0, 1.06), "low": (1.08, 0.33, 0.80, 1.6), "boomy": (0.92, 0.58, 1.05, 0.85)}
_SEALED_Q = {"flat": 0.707, "low": 0.55, "boomy": 1.05}


def vented(f3_hz: float, shape: str) -> VentedBox:
    """A vented box for a corner near f3_hz: 'flat' (Butterworth), 'low' (tuned low, early droop) or 'boomy' (hump)."""
    fs, qts, fb, alpha = _VENTED_SHAPES[shape]
    return VentedBox(fs * f3_hz, qts, fb * f3_hz, alpha)


def sealed(f3_hz: float, shape: str) -> SealedBox:
    """A sealed box whose −3 dB point is f3_hz, exactly: f3/fc = √((b + √(b² + 4))/2), b = 1/Q² − 2."""
    q = _SEALED_Q[shape]
    b = 1.0 / q**2 - 2.0
    return SealedBox(f3_hz / np.sqrt((b + np.sqrt(b * b + 4.0)) / 2.0), q)


def sealed_response(frequency_hz: FloatArray, box: SealedBox) -> ComplexArray:
    """Second-order high-pass s²T²/(s²T² + sT/Q + 1), 12 dB/octave."""
    s = 1j * frequency_hz / box.fc_hz
    return np.asarray(s**2 / (s**2 + s / box.qtc + 1.0))


def _vented_denominator(frequency_hz: FloatArray, box: VentedBox, q: float) -> ComplexArray:
    s = 2j * np.pi * frequency_hz
    tb, ts = 1.0 / (2.0 * np.pi * box.fb_hz), 1.0 / (2.0 * np.pi * box.fs_hz)
    return np.asarray(
        s**4 * tb**2 * ts**2
        + s**3 * (tb**2 * ts / q + tb * ts**2 / box.ql)
        + s**2 * ((box.alpha + 1.0) * tb**2 + tb * ts / (box.ql * q) + ts**2)
        + s * (tb / box.ql + ts / q)
        + 1.0
    )


def _port_branch(frequency_hz: FloatArray, box: VentedBox) -> ComplexArray:
    s = 1j * frequency_hz / box.fb_hz
    return np.asarray(s**2 + s / box.ql + 1.0)


def vented_cone(frequency_hz: FloatArray, box: VentedBox) -> ComplexArray:
    """The cone's share of the pressure, s²Ts²(s²Tb² + sTb/QL + 1)/D(s): least at fb, where the port does the work."""
    s = 1j * frequency_hz / box.fs_hz
    return np.asarray(s**2 * _port_branch(frequency_hz, box) / _vented_denominator(frequency_hz, box, box.qts))


def vented_port(frequency_hz: FloatArray, box: VentedBox) -> ComplexArray:
    """The port's share (with the leaks), −s²Ts²(sTb/QL + 1)/D(s): cancels the cone far below fb."""
    s, sb = 1j * frequency_hz / box.fs_hz, 1j * frequency_hz / box.fb_hz
    return np.asarray(-(s**2) * (sb / box.ql + 1.0) / _vented_denominator(frequency_hz, box, box.qts))


def vented_response(frequency_hz: FloatArray, box: VentedBox) -> ComplexArray:
    """Cone and port together: a fourth-order high-pass, 24 dB/octave."""
    return vented_cone(frequency_hz, box) + vented_port(frequency_hz, box)


def sealed_motional(frequency_hz: FloatArray, box: SealedBox, qmc: float) -> ComplexArray:
    """Motional impedance of a sealed box re its peak: (s/Qmc)/(s² + s/Qmc + 1)."""
    s = 1j * frequency_hz / box.fc_hz
    return np.asarray(s / qmc / (s**2 + s / qmc + 1.0))


def vented_motional(frequency_hz: FloatArray, box: VentedBox, qms: float) -> ComplexArray:
    """Motional impedance of a vented box re Res: (sTs/Qms)(s²Tb² + sTb/QL + 1)/D(s with Qms): two humps, a saddle at
    fb."""
    s = 1j * frequency_hz / box.fs_hz
    return np.asarray(s / qms * _port_branch(frequency_hz, box) / _vented_denominator(frequency_hz, box, qms))


def pipe_resonance_hz(length_m: float, radius_m: float) -> float:
    """First resonance of an open pipe, c/(2·L'), with an end correction of 0.85 a and 0.61 a (flanged, free; Beranek &
    Mellow)."""
    return SOUND_SPEED_M_S / (2.0 * (length_m + 1.46 * radius_m))


def port_length_m(fb_hz: float, volume_m3: float, radius_m: float) -> float:
    """Length in m of a round port that tunes the volume to fb: Helmholtz, ω² = c²·S/(V·L'), same end corrections."""
    area = np.pi * radius_m**2
    effective = SOUND_SPEED_M_S**2 * area / ((2.0 * np.pi * fb_hz) ** 2 * volume_m3)
    return float(effective - 1.46 * radius_m)


def efficiency(f3_hz: float, volume_m3: float, is_vented: bool) -> float:
    """Reference efficiency that a volume allows for a given bass limit, η0 = k·f3³·V (Small, after Hofmann)."""
    return (VENTED_EFFICIENCY if is_vented else SEALED_EFFICIENCY) * f3_hz**3 * volume_m3


def sensitivity_half_space_db(efficiency_ratio: float) -> float:
    """Level at 1 m in half space for 1 W: 112.1 dB + 10·log10 η0 (1 W radiated into 2π is 112.1 dB at 1 m)."""
    return 112.1 + 10.0 * float(np.log10(efficiency_ratio))
