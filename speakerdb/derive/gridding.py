"""A measured session onto the analysis grid, and the refusals that only show there."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import electrical, gates, grid
from speakerdb.acoustics.subwoofer import REFERENCE
from speakerdb.derive import drives
from speakerdb.errors import DataError, ErrorItem
from speakerdb.session import CurveBlock, GridSession, GridSweeps, Session, Sweep

AXIS_BAND = grid.band(300.0, 10000.0)
AXIS_LIMIT_DB = 1.0  # mean absolute difference of H 0 and V 0: above it a session is refused (method:metrics#the-axis)
AXIS_NOTE_DB = 0.3  # from which it is said (method:metrics#the-axis)
DRIVE_LIMIT_DB = 1.0


def rounded(level_db: NDArray[np.float64]) -> NDArray[np.float32]:
    """Levels as they are stored: 0.01 dB."""
    return np.round(level_db, 2).astype(np.float32)


def to_grid(session: Session) -> GridSession:
    """The session on the grid, levels referred to 1 m, ± shared where left-right symmetry is declared, drives in
    absolute levels.

    Raises DataError with all that shows only here: H 0 and V 0 that disagree, drives given twice, a lowest compression
    sweep that is not where drive_db says.
    """
    info = session.info
    offset = 20.0 * np.log10(info.distance_m or 1.0) if info.level_is == "spl_at_distance" else 0.0
    levels = [grid.to_grid(b.frequency_hz, b.level_db + offset, *gates.counted_hz(info)) for b in session.blocks]
    level = np.concatenate(levels)
    horizontal = np.concatenate([b.horizontal for b in session.blocks])
    angle = np.concatenate([b.angle_deg for b in session.blocks])
    if info.symmetric:
        level, horizontal, angle = _mirrored(level, horizontal, angle)
    compression = _compression(session, offset)
    distortion = _sweeps(session.distortion)
    problems = _axis_problem(level, horizontal, angle)
    problems += _doubled(session.compression, "compression") + _doubled(session.distortion, "distortion")
    if info.drive_band is not None:
        own = _axis_mean(level, angle, REFERENCE) - _axis_mean(level, angle, grid.band(*info.drive_band))
        compression, distortion = _shifted(compression, own), _shifted(distortion, own)
    drive_offset = _drive_offset(compression, drives.band_of(info))
    if info.drive_scale == "relative":
        compression, distortion = _shifted(compression, drive_offset), _shifted(distortion, drive_offset)
    elif info.level_is != "relative":
        problems += _drive_problem(compression, drive_offset, drives.band_of(info))
    if problems:
        raise DataError(f"{session.folder} can't be stored", [_in(session.folder, p) for p in problems])
    return GridSession(
        info=info,
        horizontal=horizontal,
        angle_deg=angle,
        level_db=rounded(level),
        resolution_per_octave=min((_resolution(session, b) for b in session.blocks), default=0.0),
        sphere_power_db=_sphere_power(session, offset),
        distortion=distortion,
        compression=compression,
        **_impedance(session),
    )


def _resolution(session: Session, block: CurveBlock) -> float:
    """Raw points per octave of a block within the valid range: of its sparsest curve."""
    f, (low, high) = block.frequency_hz, gates.counted_hz(session.info)
    inside = (f >= (low or 0.0)) & (f <= (high or np.inf))
    patterns = np.unique(~np.isnan(block.level_db[:, inside]), axis=0)
    return min((grid.raw_resolution(f[inside][p]) for p in patterns if p.any()), default=0.0)


def _impedance(session: Session) -> dict[str, NDArray[np.float32] | None]:
    if session.impedance is None:
        return {}
    z = session.impedance
    ohm, phase = electrical.on_grid(z.frequency_hz, z.magnitude_ohm, z.phase_deg)
    return {
        "impedance_ohm": np.asarray(np.round(ohm, 3), np.float32),
        "impedance_phase_deg": None if phase is None else np.asarray(np.round(phase, 2), np.float32),
    }


def _in(folder: str, item: ErrorItem) -> ErrorItem:
    return ErrorItem(folder, item.file, item.line, item.key, item.found, item.expected)


def _mirrored(
    level: NDArray[np.float64], horizontal: NDArray[np.bool_], angle: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Add the mirror image of every horizontal angle whose other side was not measured."""
    there = {float(a) for a, is_h in zip(angle, horizontal, strict=True) if is_h}
    twins = [
        i
        for i, (a, is_h) in enumerate(zip(angle, horizontal, strict=True))
        if is_h and 0 < abs(a) < 180 and float(-a) not in there
    ]
    return (
        np.concatenate([level, level[twins]]),
        np.concatenate([horizontal, np.ones(len(twins), bool)]),
        np.concatenate([angle, -angle[twins]]),
    )


def _axis_difference_db(
    level: NDArray[np.floating[Any]], horizontal: NDArray[np.bool_], angle: NDArray[np.float64]
) -> float:
    """Mean absolute difference of H 0 and V 0 over 300 Hz–10 kHz; NaN where not both were measured."""
    axis = [level[(angle == 0) & side] for side in (horizontal, ~horizontal)]
    if not all(len(a) for a in axis):
        return float("nan")
    difference = np.abs(axis[0][0, AXIS_BAND] - axis[1][0, AXIS_BAND])
    return float("nan") if np.isnan(difference).all() else float(np.nanmean(difference))


def _axis_problem(
    level: NDArray[np.float64], horizontal: NDArray[np.bool_], angle: NDArray[np.float64]
) -> list[ErrorItem]:
    mean = _axis_difference_db(level, horizontal, angle)
    if not mean > AXIS_LIMIT_DB:
        return []
    return [
        ErrorItem(
            file="responses",
            key="horizontal 0° and vertical 0°",
            found=f"curves of the same direction that differ by {figures.number(mean, 2)} dB (mean absolute, 300 "
            "Hz–10 kHz)",
            expected=f"at most {figures.plain(AXIS_LIMIT_DB)} dB; check that both orbits were measured at one level "
            "and about one axis",
        )
    ]


def axis_notes(session: GridSession) -> tuple[str, ...]:
    """What the user should know of the two readings of the axis, whose energy mean counts."""
    mean = _axis_difference_db(session.level_db, session.horizontal, session.angle_deg)
    if not mean >= AXIS_NOTE_DB:
        return ()
    return (
        f"horizontal 0° and vertical 0° differ by {figures.number(mean, 2)} dB (mean absolute, 300 Hz–10 "
        "kHz); their energy mean is used",
    )


def _sphere_power(session: Session, offset_db: float) -> NDArray[np.float32] | None:
    """Sound power over the full sphere where one was measured; directions on one side only make none."""
    if session.sphere is None:
        return None
    from speakerdb.acoustics import sphere

    block = session.sphere
    try:
        weights = sphere.area_weights(block.azimuth_deg, block.elevation_deg)
    except ValueError:
        return None
    level = grid.to_grid(block.frequency_hz, block.level_db + offset_db, *gates.counted_hz(session.info))
    return rounded(sphere.sound_power(level, weights))


def _sweeps(sweeps: tuple[Sweep, ...], offset_db: float = 0.0) -> GridSweeps | None:
    """Sweeps on the grid, in the order of component and drive."""
    if not sweeps:
        return None
    ordered = sorted(sweeps, key=lambda s: (s.component or "", s.drive_db))
    return GridSweeps(
        _as_stored(np.array([s.drive_db for s in ordered])),
        tuple(s.component or "" for s in ordered),
        rounded(np.concatenate([grid.to_grid(s.frequency_hz, s.level_db[None] + offset_db) for s in ordered])),
    )


def _compression(session: Session, offset_db: float) -> GridSweeps | None:
    """Compression sweeps at 1 m. Where the responses are levels at a distance, so are these, unless only as levels at 1
    m the lowest fits its drive; what compresses is a difference either way."""
    at_distance, at_1m = (_sweeps(session.compression, shift) for shift in (offset_db, 0.0))
    info = session.info
    band = drives.band_of(info) if info.drive_band is None else grid.band(*info.drive_band)
    return at_1m if abs(_drive_offset(at_1m, band)) <= DRIVE_LIMIT_DB else at_distance


def _doubled(sweeps: tuple[Sweep, ...], file: str) -> list[ErrorItem]:
    seen = Counter((s.component or "", s.drive_db) for s in sweeps)
    return [
        ErrorItem(
            file=file,
            key="drive_db",
            found=f"{count} {component + ' ' if component else ''}sweeps at a drive of {figures.plain(drive)} dB",
            expected="each drive once, in any order",
        )
        for (component, drive), count in seen.items()
        if count > 1
    ]


def _axis_mean(level: NDArray[np.float64], angle: NDArray[np.float64], band: slice) -> float:
    """Mean on-axis level over a band; NaN where it was not measured."""
    axis = level[np.isclose(angle, 0.0)]
    return float(axis[:, band].mean()) if len(axis) else float("nan")


def _drive_offset(compression: GridSweeps | None, band: slice) -> float:
    """By how much the lowest compression sweep's mean over the drives' band lies above its drive; NaN where not
    measured."""
    if compression is None:
        return float("nan")
    return float(np.mean(compression.level_db[0, band].astype(np.float64)) - compression.drive_db[0])


def _shifted(sweeps: GridSweeps | None, offset_db: float) -> GridSweeps | None:
    """Drives on a relative scale, moved to the level that the lowest compression sweep shows."""
    if sweeps is None or np.isnan(offset_db):
        return sweeps
    return GridSweeps(_as_stored(sweeps.drive_db + offset_db), sweeps.component, sweeps.level_db)


def _as_stored(drive_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Drives as the file holds them: a digit more would be another drive beside the levels, which are single."""
    return drive_db.astype(np.float32).astype(np.float64)


def _drive_problem(compression: GridSweeps | None, offset_db: float, band: slice) -> list[ErrorItem]:
    if compression is None or np.isnan(offset_db) or abs(offset_db) <= DRIVE_LIMIT_DB:
        return []
    return [
        ErrorItem(
            file="compression",
            key="drive_db",
            found=f"a lowest sweep, at a drive of {figures.plain(compression.drive_db[0])} dB, whose mean over "
            f"{figures.band(*grid.named(band))} is "
            f"{figures.number(offset_db, 1, signed=True)} dB from that",
            expected="drive_db to be that mean as it would be without compression, within "
            f"{figures.plain(DRIVE_LIMIT_DB)} dB; where the drives "
            'are on another scale say drive_scale = "relative" in session.toml, which shifts them all',
        )
    ]
