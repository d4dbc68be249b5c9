"""A measured session onto the analysis grid, and the refusals that only show there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid
from speakerdb.errors import DataError, ErrorItem
from speakerdb.session import GridSession, GridSweeps, Session, Sweep

AXIS_BAND = grid.band(300.0, 10000.0)
AXIS_LIMIT_DB = 1.0  # mean absolute difference of H 0 and V 0 above which a session is refused (metrics.md §1)
REFERENCE = grid.band(300.0, 3000.0)
DRIVE_LIMIT_DB = 1.0


def rounded(level_db: NDArray[np.float64]) -> NDArray[np.float32]:
    """Levels as they are stored: 0.01 dB."""
    return np.round(level_db, 2).astype(np.float32)


def to_grid(session: Session) -> GridSession:
    """The session on the grid, referred to 1 m, ± shared where left-right symmetry is declared.

    Raises DataError where H 0 and V 0 disagree or the lowest compression sweep is not where drive_db says.
    """
    info = session.info
    problems: list[ErrorItem] = []
    levels, horizontal, angles, resolutions = [], [], [], []
    offset = 20.0 * np.log10(info.distance_m or 1.0) if info.level_is == "spl_at_distance" else 0.0
    for block in session.blocks:
        levels.append(grid.to_grid(block.frequency_hz, block.level_db + offset, info.valid_from_hz, info.valid_to_hz))
        horizontal.append(block.horizontal)
        angles.append(block.angle_deg)
        measured = ~np.isnan(block.level_db).all(axis=0)
        f = block.frequency_hz[measured]
        f = f[(f >= (info.valid_from_hz or 0.0)) & (f <= (info.valid_to_hz or np.inf))]
        resolutions.append(grid.raw_resolution(f, info.gate_ms))
    level, h, angle = np.concatenate(levels), np.concatenate(horizontal), np.concatenate(angles)
    if info.symmetric:
        level, h, angle = _mirrored(level, h, angle)
    problems += _axis_problem(level, h, angle)
    compression, problem = _compression(session)
    problems += problem
    if problems:
        raise DataError(f"{session.folder} can't be stored", [_in(session.folder, p) for p in problems])
    impedance = None
    if session.impedance is not None:
        ohm = session.impedance.magnitude_ohm
        impedance = np.round(
            10.0 ** (grid.to_grid(session.impedance.frequency_hz, 20 * np.log10(ohm)[None])[0] / 20.0), 3
        )
    return GridSession(
        info=info,
        horizontal=h,
        angle_deg=angle,
        level_db=rounded(level),
        resolution_per_octave=min(resolutions, default=0.0),
        sphere_power_db=_sphere_power(session, offset),
        distortion=_sweeps(session.distortion),
        compression=compression,
        impedance_ohm=None if impedance is None else impedance.astype(np.float32),
    )


def _in(folder: str, item: ErrorItem) -> ErrorItem:
    return ErrorItem(folder, item.file, item.line, item.key, item.found, item.expected)


def _mirrored(
    level: NDArray[np.float64], horizontal: NDArray[np.bool_], angle: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Add the mirror image of every horizontal angle whose other side was not measured."""
    there = {float(a) for a, is_h in zip(angle, horizontal, strict=True) if is_h}
    twins = [i for i, (a, is_h) in enumerate(zip(angle, horizontal, strict=True))
             if is_h and 0 < abs(a) < 180 and float(-a) not in there]  # fmt: skip
    return (
        np.concatenate([level, level[twins]]),
        np.concatenate([horizontal, np.ones(len(twins), bool)]),
        np.concatenate([angle, -angle[twins]]),
    )


def _axis_problem(
    level: NDArray[np.float64], horizontal: NDArray[np.bool_], angle: NDArray[np.float64]
) -> list[ErrorItem]:
    axis = [level[(angle == 0) & side] for side in (horizontal, ~horizontal)]
    if not all(len(a) for a in axis):
        return []
    difference = np.abs(axis[0][0, AXIS_BAND] - axis[1][0, AXIS_BAND])
    if np.isnan(difference).all():
        return []
    mean = float(np.nanmean(difference))
    if mean <= AXIS_LIMIT_DB:
        return []
    return [
        ErrorItem(
            file="responses",
            key="horizontal 0° and vertical 0°",
            found=f"curves of the same direction that differ by {mean:.2f} dB (mean absolute, 300 Hz–10 kHz)",
            expected=f"at most {AXIS_LIMIT_DB:g} dB; check that both orbits were measured at one level and about one axis",
        )
    ]


def _sphere_power(session: Session, offset_db: float) -> NDArray[np.float32] | None:
    """Sound power over the full sphere where one was measured."""
    if session.sphere is None:
        return None
    from speakerdb.acoustics import sphere

    block, info = session.sphere, session.info
    weights = sphere.area_weights(block.azimuth_deg, block.elevation_deg)
    level = grid.to_grid(block.frequency_hz, block.level_db + offset_db, info.valid_from_hz, info.valid_to_hz)
    return rounded(sphere.sound_power(level, weights))


def _sweeps(sweeps: tuple[Sweep, ...]) -> GridSweeps | None:
    if not sweeps:
        return None
    return GridSweeps(
        np.array([s.drive_db for s in sweeps], np.float64),
        tuple(s.component or "" for s in sweeps),
        rounded(np.concatenate([grid.to_grid(s.frequency_hz, s.level_db[None]) for s in sweeps])),
    )


def _compression(session: Session) -> tuple[GridSweeps | None, list[ErrorItem]]:
    """Compression sweeps, the lowest checked against its drive, or all drives shifted where their scale is relative."""
    found = _sweeps(tuple(sorted(session.compression, key=lambda s: s.drive_db)))
    if found is None:
        return None, []
    level = found.level_db[0, REFERENCE].astype(np.float64)
    offset = float(np.mean(level)) - float(found.drive_db[0])
    if np.isnan(offset):
        return found, []
    if session.info.drive_scale == "relative":
        return GridSweeps(found.drive_db + offset, found.component, found.level_db), []
    if abs(offset) <= DRIVE_LIMIT_DB or session.info.level_is == "relative":
        return found, []
    return found, [
        ErrorItem(
            file="compression",
            key="drive_db",
            found=f"a lowest sweep of {found.drive_db[0]:g} dB whose mean over 300 Hz–3 kHz is {offset:+.1f} dB from that",
            expected=f'within {DRIVE_LIMIT_DB:g} dB, or drive_scale = "relative" in session.toml',
        )
    ]
