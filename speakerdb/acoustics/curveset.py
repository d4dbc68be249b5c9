"""The curve set after ANSI/CTA-2034-A (angle lists and 12/44/44 weights from memory; method:metrics#the-curve-set).

Curves of a session stand in 72 slots: the horizontal orbit -170 … 180, then the vertical orbit -170 … 180, in 10°
steps. All averages are energy averages (mean of p²), so that each is one row of weights on p².
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

STEP_DEG = 10
ANGLES_DEG: NDArray[np.int64] = np.arange(-170, 181, STEP_DEG)
PER_ORBIT = len(ANGLES_DEG)
SLOTS = 2 * PER_ORBIT
IN_ROOM_WEIGHTS = {"lw": 0.12, "er": 0.44, "sp": 0.44}  # ANSI/CTA-2034-A, from memory


def h(*angles_deg: int) -> list[int]:
    """Slots of angles on the horizontal orbit."""
    return [(a + 170) // STEP_DEG for a in angles_deg]


def v(*angles_deg: int) -> list[int]:
    """Slots of angles on the vertical orbit."""
    return [PER_ORBIT + (a + 170) // STEP_DEG for a in angles_deg]


def both(*angles_deg: int) -> list[int]:
    """Each angle and its mirror image."""
    return [sign * a for a in angles_deg for sign in (1, -1)]


ON_AXIS, V_AXIS = h(0)[0], v(0)[0]
WINDOW_SLOTS = h(0, *both(10, 20, 30)) + v(10, -10)
BOUNCES = {
    "floor": v(-20, -30, -40),
    "ceiling": v(40, 50, 60),
    "front wall": h(0, *both(10, 20, 30)),
    "side walls": h(*both(40, 50, 60, 70, 80)),
    "rear wall": h(*both(90, 100, 110, 120, 130, 140, 150, 160, 170), 180),
}


def orbit_weights(step_deg: float) -> NDArray[np.float64]:
    """Area of the piece that each angle 0, step … 90 of one orbit owns on one side, as a share of the sphere.

    Two orbits cross on the axis, and each owns what lies nearer to it: y and z being the distances from the planes of
    the vertical and the horizontal orbit, the horizontal one owns |z| ≤ |y|. At latitude φ and longitude λ from the
    axis z = sin φ and y = cos φ·sin λ, so it reaches up to tan φ = |sin λ|. Between a and b it owns, above and below
    together, 2·∫ sin(atan(sin λ)) dλ = 2·∫ sin λ/√(2 − cos² λ) dλ = 2·[asin(cos a/√2) − asin(cos b/√2)]. a and b are
    the middles between neighbouring angles; the first piece begins at 0, and the last ends at 90 + step/2: it holds as
    much beyond 90° as before it. Raises ValueError for a step that does not divide 90.
    """
    count = round(90 / step_deg)
    if abs(count * step_deg - 90) > 1e-9:
        raise ValueError(f"a step of {step_deg}° does not divide 90°")
    edges = np.radians(np.concatenate([[0.0], (np.arange(count + 1) + 0.5) * step_deg]))
    area: NDArray[np.float64] = 2.0 * -np.diff(np.arcsin(np.cos(edges) / np.sqrt(2.0)))
    return area / (4.0 * np.pi)


def _row(slots: list[int]) -> NDArray[np.float64]:
    row = np.zeros(SLOTS)
    row[slots] = 1.0 / len(slots)
    return row


def power_weights() -> NDArray[np.float64]:
    """(72,) weights of the sound-power average; they sum to 1. The two slots of the axis own two pieces each, as do the
    rear's."""
    area = orbit_weights(STEP_DEG)
    away = np.abs(ANGLES_DEG)
    own = area[np.minimum(away, 180 - away) // STEP_DEG]
    own = np.where((away == 0) | (away == 180), 2.0 * own, own)
    return np.concatenate([own, own])


LW_WEIGHTS = _row(WINDOW_SLOTS)
ER_WEIGHTS = np.mean([_row(slots) for slots in BOUNCES.values()], axis=0)
SP_WEIGHTS = power_weights()
IN_ROOM = IN_ROOM_WEIGHTS["lw"] * LW_WEIGHTS + IN_ROOM_WEIGHTS["er"] * ER_WEIGHTS + IN_ROOM_WEIGHTS["sp"] * SP_WEIGHTS
WEIGHTS = {
    "listening_window": LW_WEIGHTS,
    "early_reflections": ER_WEIGHTS,
    "sound_power": SP_WEIGHTS,
    "in_room": IN_ROOM,
}


def _with_weight(*curves: str) -> tuple[int, ...]:
    return tuple(np.flatnonzero(sum(WEIGHTS[name] for name in curves)).tolist())


# The slots that each summary curve is made of
SLOTS_OF: dict[str, tuple[int, ...]] = {
    "on_axis": (ON_AXIS,),
    **{name: _with_weight(name) for name in WEIGHTS},
    "di_power": _with_weight("listening_window", "sound_power"),
    "di_early": _with_weight("listening_window", "early_reflections"),
}


@dataclass(frozen=True, eq=False)
class CurveSet:
    """Levels in dB, each (..., 199), NaN where a needed angle is missing; the indices are differences in dB."""

    on_axis: NDArray[np.float64]
    lw: NDArray[np.float64]
    er: NDArray[np.float64]
    sp: NDArray[np.float64]
    in_room: NDArray[np.float64]

    @property
    def di_early(self) -> NDArray[np.float64]:
        return self.lw - self.er

    @property
    def di_power(self) -> NDArray[np.float64]:
        return self.lw - self.sp


POLES = ((ON_AXIS, V_AXIS), (h(180)[0], v(180)[0]))  # slots of one direction: the axis, and straight behind


def share_poles(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Both orbits meet on the axis and behind: both slots take the energy mean of the two readings, or the one there
    is. (…, 72, 199) in and out; a copy where anything changes."""
    filled = level_db
    for first, second in POLES:
        a, b = level_db[..., first, :], level_db[..., second, :]
        if np.array_equal(a, b, equal_nan=True):
            continue
        mean = level_of((power_of(a) + power_of(b)) / 2.0)
        shared = np.where(np.isnan(a), b, np.where(np.isnan(b), a, mean))
        filled = filled.copy() if filled is level_db else filled
        filled[..., first, :] = filled[..., second, :] = shared
    return filled


_NEPERS = math.log(10.0) / 10.0  # a plain float: single precision stays single


def power_of(level_db: Floats) -> NDArray[np.float64]:
    """p² of levels in dB."""
    return np.asarray(np.exp(level_db * _NEPERS))


def level_of(power: Floats) -> NDArray[np.float64]:
    """Levels in dB of p²."""
    return np.asarray(np.log(power) / _NEPERS)


def average(power: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weighted sums of p²: power (..., 72, 199), weights (k, 72) -> (..., k, 199); NaN where a slot with weight is
    missing."""
    weights = weights.astype(power.dtype, copy=False)
    missing = np.isnan(power)
    if not missing.any():
        return np.asarray(weights @ power)
    total = weights @ np.where(missing, 0.0, power)
    lacking = (weights > 0).astype(np.float64) @ missing
    return np.where(lacking > 0, np.nan, total)


def curve_set(level_db: NDArray[np.float64], power: NDArray[np.float64] | None = None) -> CurveSet:
    """The curve set of levels (..., 72, 199) in dB; power is their p² where it is at hand already."""
    power = power_of(level_db) if power is None else power
    averages = 10.0 * np.log10(average(power, np.stack(list(WEIGHTS.values()))))
    lw, er, sp, in_room = (averages[..., i, :] for i in range(4))
    return CurveSet(level_db[..., ON_AXIS, :], lw, er, sp, in_room)


_BETWEEN_POLES = (ANGLES_DEG != 0) & (ANGLES_DEG != 180)  # both orbits share the poles


def name_of(slot: int) -> str:
    """A slot in words: 'horizontal 90°'."""
    orbit = "horizontal" if slot < PER_ORBIT else "vertical"
    return f"{orbit} {ANGLES_DEG[slot % PER_ORBIT]}°"


def missing_angles(slots: Sequence[int], present: NDArray[np.bool_]) -> str:
    """Which of the slots are not measured, in words: 'vertical 10°, -10° not measured'; empty where none. present
    (72,)."""
    words = []
    for name, first in (("horizontal", 0), ("vertical", PER_ORBIT)):
        absent = [s for s in slots if first <= s < first + PER_ORBIT and not present[s]]
        if absent and not present[first : first + PER_ORBIT][_BETWEEN_POLES].any():
            words.append(f"no {name} orbit")
        elif absent:
            angles = sorted({int(ANGLES_DEG[s - first]) for s in absent}, key=lambda a: (abs(a), -a))
            shown = ", ".join(f"{a}°" for a in angles[:4]) + (" …" if len(angles) > 4 else "")
            words.append(f"{name} {shown} not measured")
    return "; ".join(words)
