"""Sweeps of sessions gathered, one kind at a time, for a batch (method:metrics#output-and-distortion)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, output, programme
from speakerdb.acoustics.output import Strain, Usable
from speakerdb.acoustics.subwoofer import REFERENCE
from speakerdb.session import GridSession, GridSweeps, SessionInfo

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

HARMONICS = ("h2", "h3", "h4", "h5")
DISTORTION = ("thd", "multitone", "multitone_hp80")
COMPRESSION = "compression"


@dataclass(frozen=True, eq=False)
class Drives:
    """Sweeps of one kind: drive_db (..., k) rising, level_db (..., k, 199)."""

    drive_db: Floats
    level_db: Floats


Sweeps = dict[str, Drives]  # by what was swept: a kind of DISTORTION, or COMPRESSION


def band_of(info: SessionInfo) -> slice:
    """What the drives of a session are the mean level over, as they are stored."""
    return REFERENCE if info.kind == "subwoofer" else output.LEVEL_BAND


def strain_of(sweeps: Sweeps, subwoofer: NDArray[np.bool_] | bool = False) -> Strain:
    """Compression re the lowest drive, distortion with its 1/3-octave smoothed levels; subwoofer: as of
    output.compression."""
    c = sweeps.get(COMPRESSION)
    return Strain(
        None if c is None else output.compression(c.drive_db, c.level_db, subwoofer),
        {kind: output.distortion(d.drive_db, d.level_db) for kind, d in sweeps.items() if kind != COMPRESSION},
    )


def sweeps_of(session: GridSession) -> Sweeps:
    """The sweeps of a session by kind. One drive alone tells nothing of compression."""
    found: Sweeps = {}
    if session.distortion is not None:
        distortion = with_total(session.distortion)
        component = np.array(distortion.component)
        for kind in DISTORTION:
            rows = np.flatnonzero(component == kind)
            if len(rows):
                found[kind] = _rising(distortion, rows)
    if session.compression is not None and len(session.compression.drive_db) > 1:
        found[COMPRESSION] = _rising(session.compression, np.arange(len(session.compression.drive_db)))
    return found


def with_total(distortion: GridSweeps) -> GridSweeps:
    """The same, with total harmonic distortion as the power sum of the second to the fifth harmonic at every drive that
    has all four, where no total was measured. That sum is the usual definition; higher orders are taken to add
    nothing."""
    if "thd" in distortion.component:
        return distortion
    rows = {(h, float(d)): i for i, (h, d) in enumerate(zip(distortion.component, distortion.drive_db, strict=True))}
    drives = [d for d in dict.fromkeys(distortion.drive_db.tolist()) if all((h, d) in rows for h in HARMONICS)]
    if not drives:
        return distortion
    level = distortion.level_db[[[rows[h, d] for h in HARMONICS] for d in drives]].astype(np.float64)
    total = 10.0 * np.log10(np.sum(10.0 ** (level / 10.0), axis=1))
    return GridSweeps(
        np.concatenate([distortion.drive_db, drives]),
        (*distortion.component, *["thd"] * len(drives)),
        np.concatenate([distortion.level_db, total.astype(np.float32)]),
    )


def _rising(sweeps: GridSweeps, rows: NDArray[np.int64]) -> Drives:
    rows = rows[np.argsort(sweeps.drive_db[rows], kind="stable")]
    return Drives(sweeps.drive_db[rows], sweeps.level_db[rows])


def stacked(every: Sequence[Sweeps]) -> Sweeps:
    """Sweeps of many as one, with a leading dimension: shorter ones end in drives at which nothing was measured."""
    found: Sweeps = {}
    for kind in (COMPRESSION, *DISTORTION):
        mine = [s.get(kind) for s in every]
        count = max((len(d.drive_db) for d in mine if d is not None), default=0)
        if count:
            # any rising numbers will do for drives that do not exist
            drive = np.tile(np.arange(count, dtype=np.float64), (len(mine), 1))
            level = np.full((len(mine), count, len(grid.FREQUENCY_HZ)), np.nan, np.float32)
            for i, drives in enumerate(mine):
                if drives is not None:
                    driven = len(drives.drive_db)
                    drive[i, :driven], level[i, :driven] = drives.drive_db, drives.level_db
                    drive[i, driven:] = drives.drive_db[-1] + 1.0 + np.arange(count - driven)
            found[kind] = Drives(drive, level)
    return found


def usable_curves(usable: Usable) -> dict[str, Array]:
    """Summary curves (S, 199) with a value at the grid points of the third-octave bands (programme.POINTS), NaN
    elsewhere: usable_low and usable_high, between which the output lies (infinite where open, NaN where nothing is
    known), and usable_cause, codes into programme.CAUSES."""
    parts: dict[str, NDArray[Any]] = {
        "usable_low": usable.low_db,
        "usable_high": usable.high_db,
        "usable_cause": usable.cause,
    }
    unknown = usable.cause < 0
    found = {}
    for name, bands in parts.items():
        found[name] = np.full((*bands.shape[:-1], len(grid.FREQUENCY_HZ)), np.nan)
        found[name][..., programme.POINTS] = np.where(unknown, np.nan, bands)
    return found
