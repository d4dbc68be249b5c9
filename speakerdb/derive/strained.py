"""How sure output and distortion are: the sweeps of a session with the errors of the error model (statistics.md §1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import output
from speakerdb.acoustics.bounds import Bounded
from speakerdb.derive import strength
from speakerdb.derive.strength import Drives, Response, Strength, Sweeps
from speakerdb.session import GridSession
from speakerdb.statistics.draws import Reader
from speakerdb.statistics.error_model import DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field

Array = NDArray[np.floating[Any]]
Draws = dict[str, NDArray[np.float64]]  # metric id -> (B,)

_DISTORTION = ("thd", "multitone", "multitone_hp80")


@dataclass(frozen=True, eq=False)
class OutputDraws:
    """Draws of every output metric of a session. window: listening window, its reference level and −6 dB limit of the same draws;
    at_error_db (B,): by how much the true drives lie above the stated ones, which a level error of the session makes them."""

    session: GridSession
    reader: Reader
    sweeps: Sweeps

    @classmethod
    def of(cls, session: GridSession, reader: Reader) -> OutputDraws | None:
        """None where a session has nothing that output metrics stand on."""
        if session.compression is None and session.distortion is None and session.info.powered:
            return None
        return cls(session, reader, strength.sweeps_of(session))

    def own(self, window: Response, at_error_db: NDArray[np.float64]) -> tuple[Draws, Bounded]:
        """With the errors that a repeat of the sweeps would change: distortion per session and per drive, compression per drive, one
        factor of the impedance. Also usable output (B, 199)."""
        noisy: dict[str, Drives] = {}
        for kind in _DISTORTION:
            drives: Drives | None = getattr(self.sweeps, kind)
            if drives is not None:
                error = self._distortion_errors(kind, len(drives.drive_db))
                noisy[kind] = Drives(drives.drive_db, drives.level_db.astype(np.float32) + error)
        if (c := self.sweeps.compression) is not None:
            error = self._per_drive("compression", "compression", len(c.drive_db))
            noisy["compression"] = Drives(c.drive_db, c.level_db.astype(np.float32) + error)
        found, values = self._values(Sweeps(**noisy), window, at_error_db)
        values["max_level_db"] = values["max_level_db"] + self._within_bracket(found)
        if "impedance_min_ohm" in values:
            percent = self.reader.model.sd(self.session.info, "impedance_percent").mean()
            normal = self.reader.generator("impedance", self.reader.keys.session).standard_normal(DRAWS)
            values["impedance_min_ohm"] = values["impedance_min_ohm"] * (1.0 + percent / 100.0 * normal)
        return values, found.usable

    def moved(self, window: Response, at_error_db: NDArray[np.float64]) -> Draws:
        """With the sweeps as they are, moved by what the bench or another sample does to levels."""
        _, values = self._values(self.sweeps, window, at_error_db)
        values.pop("impedance_min_ohm", None)
        return values

    def _values(self, sweeps: Sweeps, window: Response, at_error_db: NDArray[np.float64]) -> tuple[Strength, Draws]:
        found = strength.strength(sweeps, window, at_error_db)
        values = {name: b.value for name, b in found.values.items()}
        if not self.session.info.powered:
            values["sensitivity_db"] = output.sensitivity(window.reference_db, self.session.info.drive_voltage_v or np.nan)
            if self.session.impedance_ohm is not None:
                values["impedance_min_ohm"] = np.repeat(output.lowest_impedance(self.session.impedance_ohm[None]), DRAWS)
        return found, values

    def _within_bracket(self, found: Strength) -> NDArray[np.float64]:
        """(B,) where between the two drives around it 3 dB are lost is not measured: the level may be anywhere between what both
        delivered (metrics.md §5). Even on either side of the value drawn, with weights that leave its mean; 0 for bounds."""
        down, up = found.low_db - found.values["max_level_db"].value, found.high_db - found.values["max_level_db"].value
        down, up = np.nan_to_num(down), np.nan_to_num(up)
        rng = self.reader.generator("bracket", self.reader.keys.session)
        side, share = rng.random(DRAWS), rng.random(DRAWS)
        with np.errstate(invalid="ignore"):
            falls = side < np.nan_to_num(up / (up - down))
        return np.where(falls, down, up) * share

    def _distortion_errors(self, kind: str, drives: int) -> Array:
        """(B, drives, 199): one field for the session, one for each drive."""
        rng = self.reader.generator("distortion", f"{self.reader.keys.session}|{kind}")
        common = smooth_field(rng, DRAWS, WIDTH_OCT["distortion"]) * self.reader.model.sd(self.session.info, "distortion")
        return common[:, None, :] + self._per_drive("distortion_per_drive", kind, drives)

    def _per_drive(self, part: str, kind: str, drives: int) -> Array:
        rng = self.reader.generator(part, f"{self.reader.keys.session}|{kind}")
        field = smooth_field(rng, DRAWS * drives, WIDTH_OCT[part]).reshape(DRAWS, drives, -1)
        return np.asarray(field * self.reader.model.sd(self.session.info, part))
