"""How sure output and distortion are: the sweeps of a session with the errors of the error model
(method:statistics#errors-and-their-sizes).

Errors are drawn at every second grid point, a tenth of an octave apart, which is fine enough for fields a sixth of an
octave wide. What 1/3-octave smoothing makes of them is worked out from the plain curve's shares of power in each band,
since error and curve multiply.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.acoustics.curveset import level_of, power_of
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.output import Compression, Distortion, Strain
from speakerdb.derive import drives
from speakerdb.session import GridSession
from speakerdb.statistics.draws import Reader
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field, smoothed_field

Array = NDArray[np.floating[Any]]
Draws = NDArray[np.float64]
Floats32 = NDArray[np.float32]

POINTS_APART = 2
PHASE_DEG, SHIFT_PERCENT = 1.0, 2.0  # of impedances: their phase, and where their features lie (own judgement)
# 23 Hz–11 kHz: usable output is told from 25 Hz to 10 kHz; 87 Hz–11 kHz for what counts from 100 Hz up
POINTS, MULTITONE_POINTS = (Points(slice(first, 184, POINTS_APART)) for first in (4, 42))


@dataclass(frozen=True, eq=False)
class OutputDraws:
    """Sweeps of a session and what a repeat of them might show. plain: as they are, at the points of the draws."""

    session: GridSession
    reader: Reader
    plain: Strain

    @classmethod
    def of(cls, session: GridSession, reader: Reader) -> OutputDraws | None:
        """None where a session has nothing that output metrics stand on."""
        if session.compression is None and session.distortion is None and session.info.powered:
            return None
        return cls(
            session,
            reader,
            drives.strain_of(drives.sweeps_of(session), session.info.kind == "subwoofer").at(POINTS, MULTITONE_POINTS),
        )

    @property
    def voltage_v(self) -> float | None:
        """The drive voltage, of a passive speaker."""
        return None if self.session.info.powered else self.session.info.drive_voltage_v

    def strain(self) -> Strain:
        """(B, …) with the errors that a repeat would change: distortion per session and per drive, compression per
        drive."""
        c = self.plain.compression
        distorted = {kind: self._distorted(kind, d) for kind, d in self.plain.distortion.items()}
        return Strain(None if c is None else self._compressed(c), distorted, POINTS)

    def bracket(self) -> tuple[Draws, Draws]:
        """(B,), (B,): where between two drives the maximum level may be, see `output.within_bracket`."""
        rng = self.reader.generator("bracket", self.reader.keys.session)
        return rng.random(DRAWS), rng.random(DRAWS)

    @property
    def plain_impedance_ohm(self) -> Floats32 | None:
        """(1, 199) as measured, of a passive speaker."""
        ohm = self.session.impedance_ohm
        return None if self.session.info.powered or ohm is None else ohm[None]

    def impedance_ohm(self) -> Draws | None:
        """(B, 199) of a passive speaker, with one factor of error."""
        info, impedance_ohm = self.session.info, self.session.impedance_ohm
        if info.powered or impedance_ohm is None:
            return None
        percent = self.reader.model.sd(info, "impedance_percent").mean()
        normal = self.reader.generator("impedance", self.reader.keys.session).standard_normal(DRAWS)
        return np.asarray(impedance_ohm * (1.0 + percent / 100.0 * normal)[:, None], np.float64)

    def impedance_phase_deg(self) -> Draws | None:
        """(B, 199) of a passive speaker, with one error for all frequencies."""
        phase = self.session.impedance_phase_deg
        if self.session.info.powered or phase is None:
            return None
        normal = self.reader.generator("impedance phase", self.reader.keys.session).standard_normal(DRAWS)
        return np.asarray(phase + PHASE_DEG * normal[:, None], np.float64)

    def impedance_shift(self) -> Draws:
        """(B,) how far drive and temperature carry what the impedance shows, a ratio of frequencies."""
        normal = self.reader.generator("impedance shift", self.reader.keys.session).standard_normal(DRAWS)
        return np.asarray((1.0 + SHIFT_PERCENT / 100.0) ** normal)

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
        count, sd = len(c.drive_db), self._sd("compression", c.points)
        error = smoothed_field(rng, count * DRAWS, WIDTH_OCT["compression"], c.points, sd).reshape(count, DRAWS, -1)
        error -= error[:1]
        loss = c.loss_db - error[..., c.points.inside(drives.band_of(self.session.info))].mean(axis=-1).T
        return Compression(c.drive_db, _draws_first(c.smoothed_db, error), loss, c.points)

    def _sd(self, part: str, points: Points) -> Floats32:
        """(F,)."""
        return self.reader.model.sd(self.session.info, part)[points.of_grid]


def _draws_first(plain: Array, error: Array) -> Floats32:
    """Plain curves (k, F) with their errors (k, B, F), as (B, k, F)."""
    return np.asarray((plain.astype(np.float32)[:, None] + error).swapaxes(0, 1))


def _shares(power: Array, points: Points) -> Floats32:
    """(k, F, F): the share of each of the points (rows) in the 1/3-octave average around each (columns) of curves of p²
    (k, F); those two off stand for the quarter of their cell that lies within the seven grid points of the average."""
    away = np.abs(points.index[:, None] - points.index)
    cell = np.clip((grid.THIRD_OCTAVE_REACH + 0.5 - away) / POINTS_APART + 0.5, 0.0, 1.0)
    part = np.nan_to_num(power)[:, :, None] * cell
    with np.errstate(invalid="ignore"):
        return np.asarray(part / part.sum(axis=1, keepdims=True), np.float32)
