"""What limits output: displacement, heat, the port. Levels in dB re 20 µPa at 1 m, displacements peak, in m."""

from __future__ import annotations

import numpy as np

from seed_data.model.air import DENSITY_KG_M3, REFERENCE_PA, FloatArray

COPPER_PER_K = 0.0039  # rise of the voice coil's resistance
SECOND_AT_XMAX, THIRD_AT_XMAX = 0.06, 0.08  # together 10 % at the rated displacement, the usual meaning of that figure


def displacement_m(level_half_space_db: FloatArray, frequency_hz: FloatArray, area_m2: float) -> FloatArray:
    """Peak displacement that gives an r.m.s. level at 1 m into half space: p = ρ·ω²·S·x/(2π·r) (Beranek & Mellow)."""
    peak_pa = np.sqrt(2.0) * REFERENCE_PA * 10.0 ** (level_half_space_db / 20.0)
    return np.asarray(peak_pa * 2.0 * np.pi / (DENSITY_KG_M3 * (2.0 * np.pi * frequency_hz) ** 2 * area_m2))


def displacement_limited_level_db(frequency_hz: FloatArray, volume_m3: float, full_space: bool = True) -> FloatArray:
    """Level at 1 m of a source that displaces volume_m3 (peak): p = ρ·ω²·Vd/(√2·Ω·r), Ω = 4π or 2π. +12 dB/octave."""
    angle = 4.0 * np.pi if full_space else 2.0 * np.pi
    pressure = DENSITY_KG_M3 * (2.0 * np.pi * frequency_hz) ** 2 * volume_m3 / (np.sqrt(2.0) * angle)
    return np.asarray(20.0 * np.log10(pressure / REFERENCE_PA))


def suspension_gain_db(ratio: FloatArray) -> FloatArray:
    """Loss of the fundamental as the displacement nears its end stop, ratio = x/xmax: −5·log10(1 + (x/1.6·xmax)⁴), in
    dB."""
    return np.asarray(-5.0 * np.log10(1.0 + (ratio / 1.6) ** 4))


def displacement_distortion(ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Second and third harmonic as ratios: 0.06·(x/xmax) and 0.08·(x/xmax)², so 10 % in all at xmax.

    A polynomial motor and suspension: the n-th harmonic's ratio grows as the (n−1)-th power of the drive.
    """
    return SECOND_AT_XMAX * ratio, THIRD_AT_XMAX * ratio**2


def motor_distortion(
    level_above_db: FloatArray | float, second_db: float, third_db: float
) -> tuple[FloatArray, FloatArray]:
    """Second and third harmonic away from the bass, given in dB at some level, at `level_above_db` over it: +1 and +2
    dB per dB."""
    above = np.asarray(level_above_db, dtype=np.float64)
    return 10.0 ** ((second_db + above) / 20.0), 10.0 ** ((third_db + 2.0 * above) / 20.0)


def coil_temperature_k(power_w: FloatArray | float, resistance_k_per_w: float) -> FloatArray:
    """Rise of the coil in K: ΔT = P0·Rth/(1 + α·ΔT), the hot coil drawing less. power_w is what the cold coil would
    draw."""
    heat = np.asarray(power_w, dtype=np.float64) * resistance_k_per_w
    return (np.sqrt(1.0 + 4.0 * COPPER_PER_K * heat) - 1.0) / (2.0 * COPPER_PER_K)


def thermal_gain_db(power_w: FloatArray | float, resistance_k_per_w: float) -> FloatArray:
    """Loss of the hot coil, −20·log10(1 + α·ΔT), in dB."""
    return np.asarray(-20.0 * np.log10(1.0 + COPPER_PER_K * coil_temperature_k(power_w, resistance_k_per_w)))


def port_speed_m_s(level_half_space_db: FloatArray, frequency_hz: FloatArray, area_m2: float) -> FloatArray:
    """Peak air speed in the port for its own share of the level: p = ρ·ω·S·v/(2π·r)."""
    return displacement_m(level_half_space_db, frequency_hz, area_m2) * 2.0 * np.pi * frequency_hz


def port_gain_db(speed_m_s: FloatArray) -> FloatArray:
    """Loss of the port as its flow turns turbulent: −10·log10(1 + (v/20)²); 20 m/s is the usual limit (own
    simplification)."""
    return np.asarray(-10.0 * np.log10(1.0 + (speed_m_s / 20.0) ** 2))


def multitone_displacement_m(displacement: FloatArray, frequency_hz: FloatArray, from_hz: float) -> FloatArray:
    """Displacement of a multitone of the same total level, from that of single tones, displacement (..., F): all but
    the last axis.

    One tone per third octave from from_hz to 16 kHz, equal levels that add up to the drive, so each 1/√N; their sum in
    r.m.s., doubled, for the crest that a sum of tones has over one tone.
    """
    tones = np.arange(np.ceil(3.0 * np.log2(from_hz / 1000.0)), 13.0)
    at = np.argmin(np.abs(np.log2(frequency_hz[:, None] / 1000.0) - tones[None, :] / 3.0), axis=0)
    return np.asarray(2.0 * np.sqrt(np.mean(displacement[..., at] ** 2, axis=-1)))


def intermodulation(ratio: FloatArray | float) -> FloatArray:
    """Multitone distortion of a driver whose multitone displacement is ratio·xmax: 0.025·r + 0.03·r² (own
    simplification)."""
    r = np.asarray(ratio, dtype=np.float64)
    return 0.025 * r + 0.03 * r**2
