"""A speaker driven harder and harder: on-axis level, harmonics and multitone distortion at each drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seed_data.model import electronics, output
from seed_data.model.air import FREQUENCY_HZ, FloatArray, level_db, smooth_db
from seed_data.model.design import Design, port_radius_m
from seed_data.model.speaker import Field, band_of, watt_level_db

LOG_F = np.log2(FREQUENCY_HZ)


@dataclass(frozen=True, eq=False)
class Strain:
    """Noiseless sweeps, (K, F) each: on-axis level in dB; distortion as ratios re the fundamental at the same drive."""

    drive_db: FloatArray
    level_db: FloatArray
    second: FloatArray
    third: FloatArray
    multitone: FloatArray
    multitone_hp80: FloatArray

    @property
    def total(self) -> FloatArray:
        """Second and third together, root of the sum of squares."""
        return np.asarray(np.hypot(self.second, self.third))

    band: np.ndarray  # (F,) bool: what drives are the mean on-axis level over

    @property
    def loss_db(self) -> FloatArray:
        """Drive minus the delivered on-axis mean over the drives' band, (K,)."""
        return np.asarray(self.drive_db - np.mean(self.level_db[:, self.band], axis=1))


def _harmonic(axis: FloatArray, order: int) -> FloatArray:
    """|p_i| at the harmonic's frequency, (…, F), the last value held beyond 20 kHz."""
    at = LOG_F + np.log2(order)
    return np.stack([np.interp(at, LOG_F, row) for row in axis])


def _noise_floor(levels: FloatArray) -> FloatArray:
    """What the room and the microphone leave in a narrow band, as a ratio: 22 dB, 45 dB at 20 Hz."""
    floor_db = 22.0 + 23.0 * np.clip((np.log2(200.0) - LOG_F) / np.log2(10.0), 0.0, 1.0)
    return np.asarray(10.0 ** ((floor_db - levels) / 20.0))


def strain_of(design: Design, field: Field, drive_db: FloatArray) -> Strain:
    """All drives at once. Works source by source: what it is asked for, what its limits leave, what they add."""
    asked = drive_db[:, None] + np.zeros(FREQUENCY_HZ.size)
    pressure = np.zeros(asked.shape, dtype=np.complex128)
    second, third = np.zeros(asked.shape), np.zeros(asked.shape)
    tones = {32.0: np.zeros(asked.shape), 80.0: np.zeros(asked.shape)}
    amplifier = np.zeros(asked.shape)
    if design.powered and design.limit_db is not None:
        amplifier = electronics.limiter_gain_db(asked - design.limit_db, 6.0)
    for source, drive, axis in zip(field.sources, field.drive, field.axis, strict=True):
        level = asked + level_db(drive)
        area = np.pi * source.radius_m**2
        magnitude = np.abs(axis)[None, :]
        at_second, at_third = _harmonic(magnitude, 2), _harmonic(magnitude, 3)
        if source.role == "port":
            speed = output.port_speed_m_s(level, FREQUENCY_HZ, np.pi * port_radius_m(design) ** 2)
            gain = output.port_gain_db(speed) + amplifier
            third += (0.05 * (speed / 20.0) ** 2 * at_third) ** 2
            pressure += axis * 10.0 ** (gain / 20.0)
            continue
        ratio = output.displacement_m(level, FREQUENCY_HZ, area) / source.xmax_m
        if design.powered and source.role == "woofer":
            held = electronics.limiter_gain_db(20.0 * np.log10(np.maximum(ratio, 1e-9) / 1.1), 10.0)
            ratio = ratio * 10.0 ** (held / 20.0)
            gain = held + output.suspension_gain_db(ratio)
        else:
            gain = output.suspension_gain_db(ratio)
        watts = 10.0 ** (
            (drive_db[:, None] + smooth_db(FREQUENCY_HZ, level_db(drive), 2.0) - watt_level_db(design, source)) / 10.0
        )
        gain = gain + amplifier + output.thermal_gain_db(watts, source.heat_k_per_w)
        cone = output.displacement_distortion(ratio)
        motor = output.motor_distortion(
            np.minimum(level, asked + 6.0) + amplifier - 90.0, source.second_db, source.third_db
        )
        second += ((cone[0] + motor[0]) * at_second) ** 2
        third += ((cone[1] + motor[1]) * at_third) ** 2
        for from_hz in tones:
            moved = output.multitone_displacement_m(ratio, FREQUENCY_HZ, from_hz)
            modulated = output.intermodulation(moved)[:, None] + 1.5 * (motor[0] + motor[1])
            tones[from_hz] += (modulated * magnitude) ** 2
        pressure += axis * 10.0 ** (gain / 20.0)
    levels = drive_db[:, None] + level_db(pressure)
    heard = np.abs(pressure)
    noise = _noise_floor(levels)
    return Strain(
        drive_db,
        levels,
        np.hypot(np.sqrt(second) / heard, noise / 2.0),
        np.hypot(np.sqrt(third) / heard, noise / 2.0),
        np.hypot(np.sqrt(tones[32.0]) / heard, 2.0 * noise),
        np.hypot(np.sqrt(tones[80.0]) / heard, 2.0 * noise),
        band_of(design),
    )
