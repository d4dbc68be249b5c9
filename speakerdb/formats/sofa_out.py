"""A session's directivity out as AES69 (SOFA), convention FreeFieldDirectivityTF, and its keys as session.toml."""

from __future__ import annotations

import json
import warnings
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats.sofa_in import CONVENTION, HDF5_LOCK, REFERENCE_PA
from speakerdb.session import FloatArray, GridSession, LevelIs, Session, SessionInfo

_SHAPE_NEEDS_PER_OCTAVE = 12.0  # coarser data give no shape metrics (method:metrics#fine-enough-for-shape)
_SHARED_DEG = (0.0, 180.0)  # directions that lie on both orbits


def write_sofa(session: Session | GridSession, path: Path) -> None:
    """Write the curves, and the sphere where there is one; a GridSession on the analysis grid, a Session as measured.

    Magnitudes only (imaginary part 0), NaN where not measured: pressures in pascal, or relative where the session's
    level_is is "relative". With `session_toml(session)` beside it as session.toml, `read_session` gives the same
    curves. Raises DataError where the file exists or cannot be written.
    """
    if path.exists():
        raise _error(path, "a file of that name", "a name that is free")
    frequency_hz, azimuth, elevation, level_db = _matrix(session)
    info, level_is = session.info, _level_is(session)
    relative = level_is == "relative"
    pressure = 10.0 ** (level_db / 20.0) * (1.0 if relative else REFERENCE_PA)
    radius = np.full(len(azimuth), info.distance_m or 1.0)

    import sofar

    with HDF5_LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = sofar.Sofa(CONVENTION)
        data.Data_Real, data.Data_Imag = pressure[None], np.zeros_like(pressure)[None]
        data.N = frequency_hz
        data.ReceiverPosition = np.stack((azimuth, elevation, radius), axis=1)
        data.ReceiverPosition_Type = "spherical"
        data.ReceiverPosition_Units = "degree, degree, metre"
        data.GLOBAL_Title = f"Directivity of {info.maker} {info.model}, setting {info.setting}, sample {info.sample}"
        data.GLOBAL_Organization = info.lab
        data.GLOBAL_SourceManufacturer = info.maker
        data.GLOBAL_SourceType = "loudspeaker"
        data.GLOBAL_Comment = _comment(level_is)
        for variable in ("EmitterDescriptions", "Description"):  # text variables, which netCDF4 1.7.5 fails to write
            data.delete(variable)
        try:
            sofar.write_sofa(str(path), data)
        except OSError as error:
            raise _error(path, error.strerror or str(error), "a folder that can be written to") from error


def _comment(level_is: LevelIs) -> str:
    where = {
        "relative": "relative to an unknown level",
        "spl_at_distance": "pressure in pascal at the microphone",
        "spl_1m": "pressure in pascal, referred to 1 m",
    }
    return f"Magnitude only (imaginary part 0), {where[level_is]}; NaN where not measured"


def _error(path: Path, found: str, expected: str) -> DataError:
    item = ErrorItem(file=str(path), found=found, expected=expected)
    return DataError(f"{path}: found {found}; expected {expected}", (item,))


def _matrix(session: Session | GridSession) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """frequency_hz (F,), azimuth and elevation (n,) in degrees, level_db (n, F): horizontal curves, vertical ones,
    sphere."""
    if isinstance(session, GridSession):
        axes = [FREQUENCY_HZ]
        parts = [(FREQUENCY_HZ, session.horizontal, session.angle_deg, session.level_db.astype(np.float64))]
    else:
        axes = [b.frequency_hz for b in session.blocks]
        parts = [(b.frequency_hz, b.horizontal, b.angle_deg, b.level_db) for b in session.blocks]
        if session.sphere is not None:
            axes.append(session.sphere.frequency_hz)
    frequency_hz = np.unique(np.concatenate(axes))
    horizontal = np.concatenate([p[1] for p in parts])
    angle = np.concatenate([p[2] for p in parts])
    level = np.concatenate([_spread_out(frequency_hz, p[0], p[3]) for p in parts])
    horizontal, angle, level = _with_shared(horizontal, angle, level)
    order = np.lexsort((angle, ~horizontal))
    horizontal, angle, level = horizontal[order], angle[order], level[order]
    azimuth, elevation = _spherical(horizontal, angle)
    if isinstance(session, Session) and session.sphere is not None:
        s = session.sphere
        written = set(zip(azimuth.tolist(), elevation.tolist(), strict=True))
        places = zip((s.azimuth_deg % 360.0).tolist(), s.elevation_deg.tolist(), strict=True)
        new = np.array([p not in written for p in places], dtype=bool)
        azimuth = np.concatenate((azimuth, s.azimuth_deg[new] % 360.0))
        elevation = np.concatenate((elevation, s.elevation_deg[new]))
        level = np.concatenate((level, _spread_out(frequency_hz, s.frequency_hz, s.level_db[new])))
    return frequency_hz, azimuth, elevation, level


def _spread_out(frequency_hz: FloatArray, own_hz: FloatArray, level: FloatArray) -> FloatArray:
    """Levels on a wider axis, NaN where a curve has no point."""
    out = np.full((len(level), len(frequency_hz)), np.nan)
    out[:, np.searchsorted(frequency_hz, own_hz)] = level
    return out


def _with_shared(
    horizontal: NDArray[np.bool_], angle: FloatArray, level: FloatArray
) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Empty curves at 0° and 180° of an orbit that lacks them, lest a reader take the other orbit's for them."""
    for orbit in (True, False):
        of_orbit = angle[horizontal == orbit]
        for shared in _SHARED_DEG:
            if len(of_orbit) and not (of_orbit == shared).any():
                horizontal, angle = np.append(horizontal, orbit), np.append(angle, shared)
                level = np.concatenate((level, np.full((1, level.shape[1]), np.nan)))
    return horizontal, angle, level


def _spherical(horizontal: NDArray[np.bool_], angle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Azimuth 0…360° and elevation -90…90° of angles along the orbits."""
    behind = np.abs(angle) > 90.0
    over_the_top = np.where(angle > 0, 180.0 - angle, -180.0 - angle)
    azimuth = np.where(horizontal, angle % 360.0, np.where(behind, 180.0, 0.0))
    elevation = np.where(horizontal, 0.0, np.where(behind, over_the_top, angle))
    return azimuth, elevation


def session_toml(session: Session | GridSession) -> str:
    """The keys of a session as the text of a session.toml.

    The curves of a GridSession are referred to 1 m already. Where its raw data were too coarse for shape metrics, that
    is declared as smoothing, since the grid is finer than what was measured.
    """
    info = session.info
    said: dict[str, Any] = {}
    for f in fields(SessionInfo):
        value = getattr(info, f.name)
        if f.name not in {"electronics", "uncertainty", "prices", "bands"} and value is not None and value != f.default:
            said[f.name] = value
    said["level_is"] = _level_is(session)
    if isinstance(session, GridSession) and session.resolution_per_octave < _SHAPE_NEEDS_PER_OCTAVE:
        said["smoothing_oct"] = max(said.get("smoothing_oct", 0.0), 1.0 / session.resolution_per_octave)
    text = _pairs(said)
    for table, pairs in (("electronics", info.electronics), ("uncertainty", info.uncertainty)):
        if pairs:
            text += f"\n[{table}]\n{_pairs(pairs)}"
    for name, rows in (("bands", info.bands), ("prices", info.prices)):
        for row in rows:
            text += f"\n[[{name}]]\n" + _pairs({k: v for k, v in vars(row).items() if v is not None})
    return text


def _level_is(session: Session | GridSession) -> LevelIs:
    said = session.info.level_is
    return "spl_1m" if isinstance(session, GridSession) and said == "spl_at_distance" else said


def _pairs(said: Mapping[str, Any]) -> str:
    return "".join(f"{toml_key(k)} = {toml_value(v, is_date=k == 'date')}\n" for k, v in said.items())


def toml_key(name: str) -> str:
    """A key as TOML writes it."""
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else toml_value(name)


def toml_value(value: Any, *, is_date: bool = False) -> str:
    """A value as TOML writes it."""
    if is_date:
        return str(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    return repr(value)
