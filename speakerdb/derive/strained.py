"""How sure output and distortion are: the sweeps of a session with the errors of the error model (method:statistics#errors-and-their-sizes).

Errors are drawn at every second grid point, a tenth of an octave apart, which is fine enough for fields a sixth of an octave wide. What
1/3-octave smoothing makes of them is worked out from the plain curve's shares of power in each band, since error and curve multiply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, output
from speakerdb.acoustics.bounds import Bounded
from speakerdb.acoustics.curveset import level_of, power_of
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.output import Compression, Distortion
from speakerdb.derive import strength
from speakerdb.derive.strength import Response, Strain, Strength
from speakerdb.session import GridSession
from speakerdb.statistics.draws import Reader
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field, smoothed_field

Array = NDArray[np.floating[Any]]
Draws = dict[str, NDArray[np.float64]]  # metric id -> (B,) in the metric's unit

Floats32 = NDArray[np.float32]

POINTS_APART = 2
# 23 Hz–11 kHz: usable output is told from 25 Hz to 10 kHz; 87 Hz–11 kHz for what counts from 100 Hz up
POINTS, MULTITONE_POINTS = (Points(slice(first, 184, POINTS_APART)) for first in (4, 42))


@dataclass(frozen=True, eq=False)
class OutputDraws:
    """Draws of every output metric of a session. window: listening window, its reference level and −6 dB limit of the same draws;
    at_error_db (B,): by how much the true drives lie above the stated ones, which a level error of the session makes them."""

    session: GridSession
    reader: Reader
    plain: Strain

    @classmethod
    def of(cls, session: GridSession, reader: Reader) -> OutputDraws | None:
        """None where a session has nothing that output metrics stand on."""
        if session.compression is None and session.distortion is None and session.info.powered:
            return None
        return cls(session, reader, strength.strain_of(strength.sweeps_of(session)).at(POINTS, MULTITONE_POINTS))

    def own(self, window: Response, at_error_db: NDArray[np.float64]) -> tuple[Draws, Bounded]:
        """With the errors that a repeat of the sweeps would change: distortion per session and per drive, compression per drive, one
        factor of the impedance. Also usable output (B, F)."""
        c = self.plain.compression
        distorted = {kind: self._distorted(kind, d) for kind, d in self.plain.distortion.items()}
        strain = Strain(None if c is None else self._compressed(c), distorted, POINTS)
        found, values = self._values(strain, window, at_error_db)
        values["max_level_db"] = values["max_level_db"] + self._within_bracket(found)
        info, impedance_ohm = self.session.info, self.session.impedance_ohm
        if not info.powered and impedance_ohm is not None:
            percent = self.reader.model.sd(info, "impedance_percent").mean()
            normal = self.reader.generator("impedance", self.reader.keys.session).standard_normal(DRAWS)
            values["impedance_min_ohm"] = output.lowest_impedance(impedance_ohm[None]) * (
                1.0 + percent / 100.0 * normal
            )
        return values, found.usable

    def moved(self, window: Response, at_error_db: NDArray[np.float64]) -> Draws:
        """With the sweeps as they are, moved by what the bench or another sample does to levels."""
        return self._values(self.plain, window, at_error_db)[1]

    def _values(self, strain: Strain, window: Response, at_error_db: NDArray[np.float64]) -> tuple[Strength, Draws]:
        found = strength.strength(strain, window, at_error_db)
        values = {name: b.value for name, b in found.values.items()}
        if not self.session.info.powered:
            values["sensitivity_db"] = output.sensitivity(
                window.reference_db, self.session.info.drive_voltage_v or np.nan
            )
        return found, values

    def _within_bracket(self, found: Strength) -> NDArray[np.float64]:
        """(B,) where between the two drives around it 3 dB are lost is not measured: the level may be anywhere between what both
        delivered (method:metrics#maximum-level). Even on either side of the value drawn, with weights that leave its mean; 0 for bounds."""
        down, up = found.low_db - found.values["max_level_db"].value, found.high_db - found.values["max_level_db"].value
        down, up = np.nan_to_num(down), np.nan_to_num(up)
        rng = self.reader.generator("bracket", self.reader.keys.session)
        side, share = rng.random(DRAWS), rng.random(DRAWS)
        with np.errstate(invalid="ignore"):
            falls = side < np.nan_to_num(up / (up - down))
        return np.where(falls, down, up) * share

    def _distorted(self, kind: str, d: Distortion) -> Distortion:
        """(B, k, F): one field of errors for the session, one for each drive."""
        rng, drives = self.reader.generator("distortion", f"{self.reader.keys.session}|{kind}"), len(d.drive_db)
        error = smooth_field(rng, DRAWS, WIDTH_OCT["distortion"], d.points, self._sd("distortion", d.points))
        part = "distortion_per_drive"
        each = smooth_field(rng, drives * DRAWS, WIDTH_OCT[part], d.points, self._sd(part, d.points))
        error = error + each.reshape(drives, DRAWS, -1)
        smoothed = level_of(power_of(error) @ _shares(power_of(d.level_db), d.points))
        return Distortion(d.drive_db, _draws_first(d.level_db, error), _draws_first(d.smoothed_db, smoothed), d.points)

    def _compressed(self, c: Compression) -> Compression:
        """(B, k, F): errors far below 1 dB, which smoothing averages as they are."""
        rng = self.reader.generator("compression", self.reader.keys.session)
        drives, sd = len(c.drive_db), self._sd("compression", c.points)
        error = smoothed_field(rng, drives * DRAWS, WIDTH_OCT["compression"], c.points, sd).reshape(drives, DRAWS, -1)
        error -= error[:1]
        loss = c.loss_db - error[..., c.points.inside(output.LEVEL_BAND)].mean(axis=-1).T
        return Compression(c.drive_db, _draws_first(c.smoothed_db, error), loss, c.points)

    def _sd(self, part: str, points: Points) -> Floats32:
        """(F,)."""
        return self.reader.model.sd(self.session.info, part)[points.of_grid]


def _draws_first(plain: Array, error: Array) -> Floats32:
    """Plain curves (k, F) with their errors (k, B, F), as (B, k, F)."""
    return np.asarray((plain.astype(np.float32)[:, None] + error).swapaxes(0, 1))


def _shares(power: Array, points: Points) -> Floats32:
    """(k, F, F): the share of each of the points (rows) in the 1/3-octave average around each (columns) of curves of p² (k, F); those
    two off stand for the quarter of their cell that lies within the seven grid points of the average."""
    away = np.abs(points.index[:, None] - points.index)
    cell = np.clip((grid.THIRD_OCTAVE_REACH + 0.5 - away) / POINTS_APART + 0.5, 0.0, 1.0)
    part = np.nan_to_num(power)[:, :, None] * cell
    with np.errstate(invalid="ignore"):
        return np.asarray(part / part.sum(axis=1, keepdims=True), np.float32)
