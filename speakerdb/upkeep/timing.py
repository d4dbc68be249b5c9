"""What prepared curves say of time: excess delay, the drivers' alignment, resonances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.formats.raw_folder import Angle
from speakerdb.session import FloatArray
from speakerdb.signals import delay, resonance_fit
from speakerdb.signals.resonance_fit import Resonance

WINDOW_DEG = (30.0, 10.0)  # horizontal and vertical angles of the listening window
ALL_ROUND_DEG = 150.0  # angles as far round that a power can be told

Kind = Literal["resonance", "interference", "not told"]


@dataclass(frozen=True)
class Ringing:
    """A resonance on axis, and whether it is one in all directions: "interference" where neither listening window nor
    power shows it, "not told" where too few directions were measured."""

    what: Resonance
    kind: Kind


@dataclass(frozen=True, eq=False)
class Timing:
    """excess_s (199,): delay beyond the minimum phase, re the treble, NaN where unknown; audible_hz: where it is most
    above what is audible between 500 Hz and 8 kHz, None where nowhere; alignment_s: by how much what lies below the
    crossover lags, None where that or the delay is unknown."""

    excess_s: FloatArray
    audible_hz: float | None
    alignment_s: float | None


def timing_of(
    frequency_hz: FloatArray, level_db: FloatArray, phase_deg: FloatArray, crossover_hz: float | None
) -> Timing | None:
    """Of the axis (F,); None where it is not known from 20 Hz to 20 kHz."""
    if not delay.covers(frequency_hz, level_db):
        return None
    known = np.flatnonzero(np.isfinite(level_db))
    if known[-1] - known[0] + 1 != len(known):
        return None
    excess = delay.excess_delay_s(frequency_hz[known], level_db[known], np.radians(phase_deg[known]))
    over = np.abs(excess) / delay.audible_from_s(FREQUENCY_HZ)
    most = int(np.argmax(np.where(np.isfinite(over), over, 0.0)))
    return Timing(
        excess,
        float(FREQUENCY_HZ[most]) if over[most] > 1.0 else None,
        None if crossover_hz is None else delay.alignment_s(excess, crossover_hz),
    )


def resonances_of(
    frequency_hz: FloatArray,
    angles: tuple[Angle, ...],
    level_db: FloatArray,
    sigma_db: FloatArray,
    gate_s: float | None,
) -> tuple[Ringing, ...]:
    """Of the axis of curves (n, F), each looked for in listening window and power; none where there is no axis."""
    row = next((i for i, a in enumerate(angles) if a.on_axis), None)
    if row is None:
        return ()
    axis = level_db[row].copy()
    found = resonance_fit.found_in(frequency_hz, axis, sigma_db, gate_s)
    window, power = _window_db(angles, level_db), _power_db(angles, level_db)
    return tuple(Ringing(one, _kind(frequency_hz, one, window, power)) for one in found)


def _kind(frequency_hz: FloatArray, one: Resonance, window: FloatArray | None, power: FloatArray | None) -> Kind:
    if window is None or power is None:
        return "not told"
    both = all(resonance_fit.stands_out(frequency_hz, curve, one) for curve in (window, power))
    return "resonance" if both else "interference"


def _window_db(angles: tuple[Angle, ...], level_db: FloatArray) -> FloatArray | None:
    """Energy mean of the listening window's directions; None with fewer than three."""
    inside = [abs(a.angle_deg) <= WINDOW_DEG[0 if a.horizontal else 1] for a in angles]
    if sum(inside) < 3:
        return None
    return np.asarray(10.0 * np.log10((10.0 ** (level_db[inside] / 10.0)).mean(axis=0)))


def _power_db(angles: tuple[Angle, ...], level_db: FloatArray) -> FloatArray | None:
    """Energy mean of all directions, each weighted by the sine of its angle; None where they do not go round."""
    turned = np.abs([a.angle_deg for a in angles])
    if turned.max() < ALL_ROUND_DEG:
        return None
    weight = np.sin(np.radians(turned)) + 1e-3
    return np.asarray(10.0 * np.log10((10.0 ** (level_db / 10.0) * weight[:, None]).sum(axis=0) / weight.sum()))
