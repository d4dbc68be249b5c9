"""A real monitor's levels between the orbits and its room power, worked out from the orbits alone, against what was
measured: prints the table of the errors. Run as `python -m tests.published.monitor_room_power`.

L. Aspöck et al., "BRAS – Benchmark for Room Acoustical Simulation", 2019, doi 10.14279/depositonce-6726.3 (CC BY-SA
4.0; see tests/data/README.md): 614 directions 10° apart in azimuth and elevation, of which the orbits are 70. The other
544 are predicted. That the monitor is equalised on its axis changes no level relative to it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np
import sofar
from numpy.typing import NDArray
from scipy.spatial import SphericalVoronoi

from speakerdb.acoustics import curveset, roompower

FILE = Path(__file__).parents[1] / "data" / "studio_monitor.sofa"
Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Monitor:
    """Third-octave centres (F,), directions as unit vectors (D, 3), level_db (D, F)."""

    hz: Array
    directions: Array
    level_db: Array

    def shares(self) -> Array:
        """(D,) share of the sphere that is nearest to each direction, by SciPy's SphericalVoronoi."""
        return np.asarray(SphericalVoronoi(self.directions).calculate_areas() / (4.0 * np.pi))

    def sphere_power_db(self) -> Array:
        """(F,) level of p² averaged over the sphere."""
        return 10.0 * np.log10(self.shares() @ 10.0 ** (self.level_db / 10.0))

    def at(self, directions: Array) -> NDArray[np.intp]:
        """Which of the measured directions each of (n, 3) is."""
        along = directions @ self.directions.T
        found = along.argmax(axis=1)
        assert np.all(along[np.arange(len(found)), found] > np.cos(np.radians(0.1)))
        return found

    def orbits_db(self) -> Array:
        """(72, F) in the slots of both orbits."""
        angle, flat = np.radians(curveset.ANGLES_DEG.astype(float)), np.zeros(curveset.PER_ORBIT)
        horizontal = np.stack([np.cos(angle), np.sin(angle), flat], axis=1)
        return self.level_db[self.at(np.concatenate([horizontal, horizontal[:, [0, 2, 1]]]))]


@cache
def monitor() -> Monitor:
    sofa = sofar.read_sofa(FILE, verify=False, verbose=False)
    azimuth, elevation = (
        np.radians(sofa.ReceiverPosition[:, 0].ravel()),
        np.radians(sofa.ReceiverPosition[:, 1].ravel()),
    )
    across = np.cos(elevation)
    directions = np.stack([across * np.cos(azimuth), across * np.sin(azimuth), np.sin(elevation)], axis=1)
    level = 20.0 * np.log10(np.abs(sofa.Data_Real + 1j * sofa.Data_Imag)[0])
    return Monitor(np.asarray(sofa.N).ravel(), directions, level)


@dataclass(frozen=True, eq=False)
class Errors:
    """Found less measured, in dB, per third-octave band (F,): of the power from the orbits, with the standard's weights
    and by roompower; of the levels in the directions between the orbits, weighted with their share of the sphere: mean
    and RMS, RMS in front, and the RMS that the standard's weights stand for, which take each direction for the angle of
    the orbit nearest to it."""

    hz: Array
    standard_db: Array
    power_db: Array
    level_mean_db: Array
    level_rms_db: Array
    level_front_rms_db: Array
    nearest_rms_db: Array
    nearest_front_rms_db: Array


def errors() -> Errors:
    known = monitor()
    orbits, shares, expected = known.orbits_db(), known.shares(), known.sphere_power_db()
    quarter = known.directions[(known.directions[:, 1] > 1e-6) & (known.directions[:, 2] > 1e-6)]
    power = roompower.power_between(orbits, roompower.quarter(*quarter.T))
    images = [quarter * [1.0, 1.0 - 2.0 * right, 1.0 - 2.0 * down] for right, down in np.ndindex(2, 2)]
    at = known.at(np.concatenate(images))
    assert len(at) == len(known.directions) - (2 * curveset.PER_ORBIT - 2)
    apart = 10.0 * np.log10(power.reshape(len(at), -1)) - known.level_db[at]
    nearest = orbits[_nearest(known.directions[at])] - known.level_db[at]
    front = known.directions[at, 0] > -1e-6
    return Errors(
        known.hz,
        10.0 * np.log10(curveset.SP_WEIGHTS @ 10.0 ** (orbits / 10.0)) - expected,
        roompower.room_power(orbits) - expected,
        shares[at] @ apart / shares[at].sum(),
        _rms(apart, shares[at]),
        _rms(apart[front], shares[at[front]]),
        _rms(nearest, shares[at]),
        _rms(nearest[front], shares[at[front]]),
    )


def _nearest(directions: Array) -> NDArray[np.intp]:
    """Slot of the orbit that each of (n, 3) is nearer to, at its angle along that orbit."""
    x, y, z = directions.T
    upright = np.abs(z) > np.abs(y)
    angle = np.round(np.degrees(np.arctan2(np.where(upright, z, y), x)) / curveset.STEP_DEG) * curveset.STEP_DEG
    return np.array([(curveset.v if up else curveset.h)(int(a))[0] for up, a in zip(upright, angle, strict=True)])


def _rms(apart: Array, share: Array) -> Array:
    return np.asarray(np.sqrt(share @ apart**2 / share.sum()))


def main() -> None:
    found = errors()
    print(f"{'':>8}{'power off, dB':>20}{'levels between off, dB':>37}{'nearest angle instead':>26}")
    print(f"{'Hz':>8}{'standard':>11}{'room':>9}{'mean':>11}{'RMS':>11}{'in front':>15}{'RMS':>11}{'in front':>15}")
    for hz, standard, power, mean, *rms in zip(*(getattr(found, field.name) for field in fields(found)), strict=True):
        print(f"{hz:>8.0f}{standard:>+11.2f}{power:>+9.2f}{mean:>+11.2f}", end="")
        print("".join(f"{value:>{width}.2f}" for value, width in zip(rms, (11, 15, 11, 15), strict=True)))


if __name__ == "__main__":
    main()
