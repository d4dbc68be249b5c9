"""Output and distortion of sessions (method:metrics#output-and-distortion): sweeps gathered from a batch, then the physics once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, grid, output
from speakerdb.acoustics.bounds import Bounded
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.output import Compression, Distortion
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, GridSweeps

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Values = dict[str, Bounded]

THD_DRIVES_DB = (86.0, 96.0)
OUTPUT_HZ = (40.0, 63.0, 100.0)
HARMONICS = ("h2", "h3", "h4", "h5")
# the distortion, its limit in percent and the band that a clean level stands on
CLEAN = {
    "clean_level_bass_db": ("thd", output.CLEAN_BASS_PERCENT, output.BASS_BAND),
    "clean_level_mid_db": ("thd", output.CLEAN_PERCENT, output.MID_BAND),
    "clean_level_multitone_db": ("multitone", output.CLEAN_PERCENT, output.MULTITONE_BAND),
    "clean_level_multitone_managed_db": ("multitone_hp80", output.CLEAN_PERCENT, output.MULTITONE_BAND),
}
DISTORTION = ("thd", "multitone", "multitone_hp80")
COMPRESSION = "compression"
OUTPUT_METRICS = tuple(m for m in METRICS if METRICS[m].group == "output")


@dataclass(frozen=True, eq=False)
class Drives:
    """Sweeps of one kind: drive_db (..., k) rising, level_db (..., k, 199)."""

    drive_db: Floats
    level_db: Floats


Sweeps = dict[str, Drives]  # by what was swept: a kind of DISTORTION, or COMPRESSION


@dataclass(frozen=True, eq=False)
class Strain:
    """The same as output metrics take it; distortion by its kind. points: those of the grid at which compression and total harmonic
    distortion stand."""

    compression: Compression | None
    distortion: Mapping[str, Distortion]
    points: Points = grid.WHOLE

    def at(self, points: Points, multitone_points: Points) -> Strain:
        """What stands on the whole grid, at some of its points."""
        c, fewer = self.compression, {}
        for kind, d in self.distortion.items():
            mine = points if kind == "thd" else multitone_points
            at = mine.of_grid
            fewer[kind] = Distortion(d.drive_db, d.level_db[..., at], d.smoothed_db[..., at], mine)
        at = points.of_grid
        return Strain(
            None if c is None else Compression(c.drive_db, c.smoothed_db[..., at], c.loss_db, points), fewer, points
        )


def strain_of(sweeps: Sweeps) -> Strain:
    """Compression re the lowest drive, distortion with its 1/3-octave smoothed levels."""
    c = sweeps.get(COMPRESSION)
    return Strain(
        None if c is None else output.compression(c.drive_db, c.level_db),
        {kind: output.distortion(d.drive_db, d.level_db) for kind, d in sweeps.items() if kind != COMPRESSION},
    )


@dataclass(frozen=True, eq=False)
class Response:
    """What the sweeps are set against: the listening window (..., 199), its reference level (...), its −6 dB limit (...) and
    whether that is only known to be at most so."""

    lw: Floats
    reference_db: Floats
    f6_hz: Floats
    f6_at_most: NDArray[np.bool_] | bool = False


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
    has all four, where no total was measured. That sum is the usual definition; higher orders are taken to add nothing."""
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


@dataclass(frozen=True, eq=False)
class Strength:
    """values: metric -> (...); usable (..., F) at the strain's points; low_db, high_db (...): the levels delivered at the two drives
    around the maximum level."""

    values: Values
    usable: Bounded
    low_db: Array
    high_db: Array


def strength(strain: Strain, response: Response, at_error_db: Array | float = 0.0) -> Strength:
    """All metrics of one speaker's sweeps, or of several with the same drives, or of draws.

    at_error_db (...): what the true drives are above the stated ones; drives are then known to that only, so the outermost
    distortion curves may be prolonged that far.
    """
    shape = response.reference_db.shape
    unknown = bounds.exact(np.full(shape, np.nan))
    values = dict.fromkeys(OUTPUT_METRICS, unknown)
    window = response.lw[..., strain.points.of_grid]
    usable = bounds.exact(np.full(window.shape, np.nan))
    low, high = unknown.value, unknown.value
    uncertain = float(np.max(np.abs(at_error_db)))
    if (thd := strain.distortion.get("thd")) is not None:
        for at in THD_DRIVES_DB:
            level = output.distortion_at(thd.drive_db, thd.level_db, at - np.asarray(at_error_db), beyond_db=uncertain)
            for name, band in (("bass", output.BASS_BAND), ("mid", output.MID_BAND)):
                values[f"thd_{name}_{at:.0f}_percent"] = bounds.exact(
                    output.rms_percent(level, strain.points.inside(band))
                )
    for name, (kind, percent, band) in CLEAN.items():
        if (swept := strain.distortion.get(kind)) is not None:
            values[name] = output.clean_level(swept, percent, band).plus(at_error_db)
    if (c := strain.compression) is not None:
        maximum = output.max_level(c)
        values["max_level_db"] = maximum.level.plus(at_error_db)
        for name, held in zip(("balance_level_db", "balance_level_managed_db"), _balance(c, response), strict=True):
            values[name] = held.plus(at_error_db)
        low, high = maximum.low_db + at_error_db, maximum.high_db + at_error_db
        if thd is not None:
            usable = output.usable_output(c, thd, window - response.reference_db[..., None])
            usable = usable.plus(np.asarray(at_error_db)[..., None])
            for f in OUTPUT_HZ:
                values[f"max_level_{f:.0f}hz_db"] = output.at_frequency(usable, f, strain.points)
    return Strength(values, usable, low, high)


def _balance(c: output.Compression, response: Response) -> tuple[Bounded, Bounded]:
    """Highest level with its balance from the −6 dB limit up; and with a subwoofer, which takes over at 80 Hz or where the
    speaker itself ends if that is higher."""
    f6, eighty = response.f6_hz, output.BALANCE_MANAGED_FROM_HZ
    unmeasured = np.asarray(response.f6_at_most & (f6 > grid.FREQUENCY_HZ[0] * (1 + 1e-9)))
    managed = np.where(response.f6_at_most, eighty, np.fmax(f6, eighty))
    both = output.balance_level(c, np.stack([f6, managed]), or_lower=np.stack([unmeasured, np.zeros_like(unmeasured)]))
    return both[0], both[1]


@dataclass(frozen=True, eq=False)
class Batch:
    """values: metric -> (S,); usable (S, 199); noisy: clean level -> (S,) whether noise, not distortion, was above its limit at
    the lowest drive."""

    values: Values
    usable: Bounded
    noisy: dict[str, NDArray[np.bool_]]


def output_metrics(sessions: Sequence[GridSession], response: Response) -> Batch:
    """Metrics of output of a batch: response (S, …)."""
    strain = strain_of(_stacked([sweeps_of(s) for s in sessions]))
    found = strength(strain, response)
    passive = np.array([not s.info.powered for s in sessions], bool)
    volt = np.array([s.info.drive_voltage_v or np.nan for s in sessions], np.float64)
    ohm = np.full(response.lw.shape, np.nan)
    for row, session in zip(ohm, sessions, strict=True):
        if session.impedance_ohm is not None:
            row[:] = session.impedance_ohm
    sensitivity = output.sensitivity(response.reference_db, volt)
    electrical = {
        "impedance_min_ohm": bounds.exact(np.where(passive, output.lowest_impedance(ohm), np.nan)),
        "sensitivity_db": bounds.exact(np.where(passive, sensitivity, np.nan)),
    }
    return Batch(found.values | electrical, found.usable, _noisy(strain))


def _noisy(strain: Strain) -> dict[str, NDArray[np.bool_]]:
    return {
        name: output.noise_limited(strain.distortion[kind], percent, band)
        for name, (kind, percent, band) in CLEAN.items()
        if kind in strain.distortion
    }


def _stacked(every: Sequence[Sweeps]) -> Sweeps:
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


def usable_curves(usable: Bounded) -> dict[str, Array]:
    """Summary curves (S, 199) of the third-octave centres, straight lines between them and NaN outside: usable_output, and
    usable_output_bound: −1 where it is at most that, 1 where at least, 0 where exact."""
    centres = output.THIRD_OCTAVE_POINTS
    points = np.arange(centres[0], centres[-1] + 1)
    after = np.clip(np.searchsorted(centres, points, side="right"), 1, len(centres) - 1)
    left, right = centres[after - 1], centres[after]
    line = bounds.between(usable[..., left], usable[..., right], (points - left) / (right - left))
    value, side = np.full(usable.value.shape, np.nan), np.full(usable.value.shape, np.nan)
    value[..., points] = line.value
    side[..., points] = np.where(np.isnan(line.value), np.nan, np.array([0.0, -1.0, 1.0])[line.code])
    return {"usable_output": value, "usable_output_bound": side}
