"""How far two equal speakers would seem to lie apart through errors of measurement alone
(method:statistics#measures-like).

As measured: what a repeat would change, and what two benches do to it; not what another unit would.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.statistics.benches import Pattern, loadings
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT, ErrorModel
from speakerdb.statistics.fields import generator, smooth_field

Floats32 = NDArray[np.float32]
# of usable output's errors: those of distortion are 1 octave wide for the session and 1/6 for each drive, then smoothed
# and interpolated; tests/statistics/test_match_noise.py holds the limit that comes of it against draws of the sweeps
OUTPUT_WIDTH_OCT = 0.5
_DB_PER_OCTAVE = np.float32(20.0 * np.log10(2.0))
RESPONSE = frozenset({"listening_window", "in_room", "on_axis"})  # what sessions and benches do, is in these alike


@dataclass(frozen=True, eq=False)
class CurveNoise:
    """Errors of one speaker's pooled curves, as standard deviations in dB (199,).

    readings: curve name -> through what differs from reading to reading (beamwidths as 20·log10, usable output with all
    but its level); session: common to the response curves; bench: of one bench. pattern: benches by weight; level: run
    -> its error's share in the mean.
    """

    readings: Mapping[str, Floats32]
    session: Floats32
    bench: Floats32
    pattern: Pattern
    level: Mapping[str, float]


def noise_between(a: CurveNoise, b: CurveNoise, model: ErrorModel) -> dict[str, Floats32]:
    """Draws (B, 199) of the difference of two speakers' curves when they are equal in truth; beamwidths as the ratio.

    What benches and runs have in common cancels. Window and in-room curve come from much the same measured curves, so
    that they are taken to move together. All pairs use the same draws, so that no verdict differs from another by the
    luck of its draws.
    """
    unit = _unit_fields(model.seed)
    session = unit.session * np.hypot(a.session, b.session)
    bench = unit.bench * _bench_sd(a, b, model)
    common = session + bench
    found: dict[str, Floats32] = {}
    for name in a.readings:
        sd = np.hypot(a.readings[name], b.readings[name])
        if name in RESPONSE:
            found[name] = common + unit.reading * sd
        elif name == "usable_output":
            found[name] = bench + unit.output * sd + unit.level[:, None] * np.float32(_level_sd(a, b))
        elif name == "di_power":
            found[name] = unit.index * sd
        else:
            found[name] = np.exp2(unit.beam[name] * (sd / _DB_PER_OCTAVE))
    return found


def _bench_sd(a: CurveNoise, b: CurveNoise, model: ErrorModel) -> Floats32:
    """(199,): 0 where both were measured at the same benches; the residual's where these are aligned."""
    shares, _ = loadings([a.pattern, b.pattern], None, model)
    apart = float(np.sum((shares[0] - shares[1]) ** 2))
    return np.asarray(np.sqrt(0.5 * apart * (a.bench**2 + b.bench**2)), np.float32)


def _level_sd(a: CurveNoise, b: CurveNoise) -> float:
    return float(np.sqrt(sum((a.level.get(run, 0.0) - b.level.get(run, 0.0)) ** 2 for run in {*a.level, *b.level})))


@dataclass(frozen=True, eq=False)
class _UnitFields:
    """(B, 199) fields of unit standard deviation, level (B,)."""

    reading: Floats32
    index: Floats32
    beam: Mapping[str, Floats32]
    output: Floats32
    session: Floats32
    bench: Floats32
    level: Floats32


@lru_cache(maxsize=2)
def _unit_fields(seed: str) -> _UnitFields:
    def drawn(name: str, width_oct: float) -> Floats32:
        return smooth_field(generator("match", name, seed), DRAWS, width_oct)

    def smoothed(name: str) -> Floats32:
        """Of beamwidths, which are read off 1/3-octave smoothed curves."""
        field = grid.smooth_third_octave(drawn(name, WIDTH_OCT["repeatability"]))
        return np.asarray(field / field.std(), np.float32)

    return _UnitFields(
        reading=drawn("reading", WIDTH_OCT["repeatability"]),
        index=drawn("index", WIDTH_OCT["repeatability"]),
        beam={name: smoothed(name) for name in ("beamwidth_horizontal", "beamwidth_vertical")},
        output=drawn("output", OUTPUT_WIDTH_OCT),
        session=drawn("session", WIDTH_OCT["session"]),
        bench=drawn("bench", WIDTH_OCT["calibration"]),
        level=generator("match", "level", seed).standard_normal(DRAWS, dtype=np.float32),
    )
