"""From the database to the frames that the charts take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, curveset, directivity, electrical, grid, programme, response
from speakerdb.errors import RequestError
from speakerdb.metric import CENSORED
from speakerdb.session import GridSession
from speakerdb.store import session_rows
from speakerdb.store.reading import grid_sessions

if TYPE_CHECKING:
    from speakerdb.library import Database

Array = NDArray[np.float64]
EDGE_REFERENCES = {"axis": (0,), "mean": (0, 10, -10, 20, -20, 30, -30)}
ALIGN = response.BASS_MEAN  # overlaid curves get the same mean over 300 Hz–10 kHz (method:statistics#measures-like)


@dataclass(frozen=True, eq=False)
class Measured:
    """One stored session with its curves: id, lab, sample, date and the curves on the grid."""

    session: str
    lab: str
    sample: str
    date: str
    grid: GridSession


def display_name(base: Database, slug: str) -> str:
    """Maker and model as printed."""
    row = base.field.base.filter(pl.col("speaker") == slug).row(0, named=True)
    return f"{row['maker']} {row['model']}"


def row_of(base: Database, slug: str, setting: str) -> int:
    """The row of the field that holds a speaker in a setting."""
    rows = base.field.base
    return int(np.flatnonzero(((rows["speaker"] == slug) & (rows["setting"] == setting)).to_numpy())[0])


def measured(base: Database, slug: str, setting: str) -> list[Measured]:
    """The active sessions of a speaker in a setting, the one with the most curves first, then the newest."""
    rows = session_rows.active_of(base.store.con, slug).filter(pl.col("setting") == setting).sort("session_id")
    sessions = grid_sessions(base.store.con, rows["session_id"].to_list())
    found = [
        Measured(session, lab, sample, date, g)
        for (session, lab, sample, date), g in zip(
            rows.select("session", "lab", "sample", "date").iter_rows(), sessions, strict=True
        )
    ]
    found.sort(key=lambda m: m.date, reverse=True)
    return sorted(found, key=lambda m: len(m.grid.angle_deg), reverse=True)


def summary(base: Database, slug: str, setting: str, parts: Sequence[str]) -> pl.DataFrame:
    """Pooled curves of a speaker, long: part, frequency_hz, level_db; parts it lacks are left out."""
    row = row_of(base, slug, setting)
    frames = [
        pl.DataFrame({"part": [part] * len(curve), "frequency_hz": grid.FREQUENCY_HZ, "level_db": curve})
        for part, curve in ((p, c[row].astype(np.float64)) for p, c in base.field.curves(list(parts)).items())
        if np.isfinite(curve).any()
    ]
    empty = {"part": pl.String, "frequency_hz": pl.Float64, "level_db": pl.Float64}
    return pl.concat(frames) if frames else pl.DataFrame(schema=empty)


def aligned(
    base: Database, chosen: Sequence[tuple[str, str, str]], parts: Sequence[str], equal: slice = ALIGN
) -> pl.DataFrame:
    """Curves of several speakers: series, part, frequency_hz, level_db. chosen: (name to show, slug, setting).

    Levels are set to a mean of 0 dB over a band of the grid; directivity indices stay as they are.
    """
    frames = []
    for name, slug, setting in chosen:
        frame = summary(base, slug, setting, parts)
        for (part,), mine in frame.group_by("part", maintain_order=True):
            level = mine["level_db"].to_numpy()
            shift = 0.0 if str(part).startswith("di_") else float(np.nanmean(level[equal]))
            if np.isfinite(shift):
                frames.append(mine.with_columns(level_db=pl.col("level_db") - shift, series=pl.lit(name)))
    if not frames:
        raise RequestError("none of the speakers has these curves: nothing can be drawn")
    return pl.concat(frames)


def slots(session: GridSession) -> Array:
    """(72, 199) levels in dB of the 10° subset, NaN where not measured."""
    from speakerdb.derive.measuring import slots_of

    found: Array = slots_of([session])[0]
    return found


def off_axis(session: GridSession, angles: Sequence[int] = (0, 10, 20, 30)) -> pl.DataFrame:
    """angle_deg, frequency_hz, level_db at horizontal angles, the energy mean of both sides (one side where the other
    lacks)."""
    level = slots(session)
    frames = []
    for angle in angles:
        pair = level[curveset.h(angle, -angle)]
        power = np.exp(pair * (np.log(10.0) / 10.0))
        there = np.isfinite(power)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = 10.0 * np.log10(np.where(there, power, 0.0).sum(axis=0) / there.sum(axis=0))
        if np.isfinite(mean).any():
            frames.append(
                pl.DataFrame(
                    {"angle_deg": [float(angle)] * len(mean), "frequency_hz": grid.FREQUENCY_HZ, "level_db": mean}
                )
            )
    if not frames:
        raise RequestError("no horizontal curve was measured within 30° of the axis")
    return pl.concat(frames)


@dataclass(frozen=True, eq=False)
class Orbit:
    """One orbit for a map: angle_deg (n,), level_db (n, 199) smoothed 1/3 octave re the axis; edge: side, frequency_hz,
    angle_deg."""

    angle_deg: list[float]
    level_db: Array
    edge: pl.DataFrame


def orbit(session: GridSession, plane: str) -> Orbit:
    """Every measured angle of an orbit re the axis, and the −6 dB edge by its definition. Raises RequestError where
    absent."""
    mine = session.horizontal if plane == "horizontal" else ~session.horizontal
    angles = session.angle_deg[mine]
    if len(angles) < 3:
        raise RequestError(f"no {plane} orbit was measured: fewer than three {plane} curves")
    power = np.exp(session.level_db[mine].astype(np.float64) * (np.log(10.0) / 10.0))
    smooth = 10.0 * np.log10(grid.smooth_third_octave(power))
    whole = _smoothed(slots(session))
    axis = whole[curveset.h(0)[0]] if plane == "horizontal" else whole[curveset.v(0)[0]]
    if not np.isfinite(axis).any():
        raise RequestError(f"no {plane} map: the curve on the axis was not measured")
    sides = ("left", "right") if plane == "horizontal" else ("up", "down")
    frames = []
    for name, side, sign in (("first", sides[0], 1.0), ("second", sides[1], -1.0)):
        angle = _crossing(whole, side, axis)
        frames.append(
            pl.DataFrame({"side": [name] * 199, "frequency_hz": grid.FREQUENCY_HZ, "angle_deg": sign * angle})
        )
    edge = pl.concat(frames).with_columns(pl.col("angle_deg").fill_nan(None))
    return Orbit(angles.tolist(), smooth - axis, edge)


def _smoothed(level: Array) -> Array:
    smooth: Array = 10.0 * np.log10(grid.smooth_third_octave(np.exp(level * (np.log(10.0) / 10.0))))
    return smooth


def _crossing(smoothed: Array, side: str, reference: Array) -> Array:
    """(199,) first crossing of −6 dB re a reference on one side; NaN where there is none or it was not measured."""
    relative = smoothed[directivity.SIDES[side]] - reference
    found = directivity.first_crossing(relative, directivity.EDGE_DB)
    return np.where(found.at_least | (found.deg >= 180.0), np.nan, found.deg)


def beamwidths(session: GridSession) -> pl.DataFrame:
    """plane, reference, frequency_hz, beamwidth_deg: the full −6 dB angle re the axis, horizontally also re the ±30°
    mean."""
    level = slots(session)
    smoothed = _smoothed(level)
    frames = []
    for plane, sides in (("horizontal", ("left", "right")), ("vertical", ("up", "down"))):
        angle = directivity.full_angle(smoothed.copy(), sides)
        frames.append(_beam(plane, "axis", np.where(angle.at_least, np.nan, angle.deg)))
    near = smoothed[curveset.h(*EDGE_REFERENCES["mean"])]
    mean = 10.0 * np.log10(np.exp(near * (np.log(10.0) / 10.0)).mean(axis=0))
    both = [
        directivity.first_crossing(smoothed[directivity.SIDES[s]] - mean, directivity.EDGE_DB)
        for s in ("left", "right")
    ]
    frames.append(
        _beam("horizontal", "mean", np.where(both[0].at_least | both[1].at_least, np.nan, both[0].deg + both[1].deg))
    )
    found = pl.concat(frames).filter(pl.col("beamwidth_deg").is_finite())
    if not len(found):
        raise RequestError("no beamwidth: neither orbit holds its −6 dB angles")
    return found


def _beam(plane: str, reference: str, deg: Array) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "plane": [plane] * 199,
            "reference": [reference] * 199,
            "frequency_hz": grid.FREQUENCY_HZ,
            "beamwidth_deg": deg,
        }
    )


def distortion(session: GridSession, component: str = "thd") -> pl.DataFrame:
    """drive_db, frequency_hz, level_db (re the fundamental) of one component. Raises RequestError where not
    measured."""
    sweeps = session.distortion
    if sweeps is None or component not in sweeps.component:
        raise RequestError(f"no distortion ({component}) was measured")
    rows = [i for i, c in enumerate(sweeps.component) if c == component]
    return _sweeps(sweeps.drive_db[rows], sweeps.level_db[rows].astype(np.float64), "level_db")


def compression(session: GridSession) -> pl.DataFrame:
    """drive_db, frequency_hz, change_db: level minus the lowest drive's minus the difference of drives, 1/3-octave
    smoothed."""
    sweeps = session.compression
    if sweeps is None or len(sweeps.drive_db) < 2:
        raise RequestError("no compression was measured (it takes at least two drives)")
    order = np.argsort(sweeps.drive_db)
    drive, level = sweeps.drive_db[order], sweeps.level_db[order].astype(np.float64)
    smooth = _smoothed(level)
    change = smooth - smooth[0] - (drive - drive[0])[:, None]
    return _sweeps(drive[1:], change[1:], "change_db")


def _sweeps(drive: Array, level: Array, name: str) -> pl.DataFrame:
    frames = [
        pl.DataFrame({"drive_db": [float(d)] * 199, "frequency_hz": grid.FREQUENCY_HZ, name: y})
        for d, y in zip(drive, level, strict=True)
    ]
    return pl.concat(frames).filter(pl.col(name).is_finite())


def usable_output(base: Database, slug: str, setting: str) -> pl.DataFrame:
    """frequency_hz, level_db, censored in the third-octave bands of music. Raises RequestError where nothing is
    known."""
    low, high = output_ends(base, slug, setting)
    found = bounds.from_ends(low, high)
    words = np.array(CENSORED, object)[found.code]
    return pl.DataFrame({"frequency_hz": programme.BANDS_HZ, "level_db": found.value, "censored": words.tolist()})


def output_ends(base: Database, slug: str, setting: str) -> tuple[Array, Array]:
    """(31,), (31,) between which the usable output lies, infinite where open. Raises RequestError where nothing is
    known."""
    row = row_of(base, slug, setting)
    low, high = (
        base.field.curves([part])[part][row, programme.POINTS].astype(np.float64)
        for part in ("usable_low", "usable_high")
    )
    if np.isnan(low).all():
        raise RequestError("no usable output: it takes compression or distortion at several drives")
    return np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)


def impedance(session: GridSession) -> pl.DataFrame:
    """frequency_hz, part ("magnitude" | "epdr" | "phase"), value in Ω or degrees. Raises RequestError without an
    impedance."""
    if session.impedance_ohm is None:
        raise RequestError("no impedance was measured")
    parts = {"magnitude": session.impedance_ohm.astype(np.float64)}
    if session.impedance_phase_deg is not None:
        phase = session.impedance_phase_deg.astype(np.float64)
        parts |= {"epdr": electrical.epdr(parts["magnitude"], phase), "phase": phase}
    tables = [
        pl.DataFrame({"frequency_hz": grid.FREQUENCY_HZ, "part": [n] * 199, "value": v}) for n, v in parts.items()
    ]
    return pl.concat(tables).filter(pl.col("value").is_finite())
