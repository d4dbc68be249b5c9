"""Output and distortion of sessions (metrics.md §5): sweeps gathered by their number of drives, then the physics once a group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, grid, output
from speakerdb.acoustics.bounds import Bounded
from speakerdb.dictionary import METRICS
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
_DISTORTION = ("thd", "multitone", "multitone_hp80")
OUTPUT_METRICS = tuple(m for m in METRICS if METRICS[m].group == "output")


@dataclass(frozen=True, eq=False)
class Drives:
    """Sweeps of one kind: drive_db (..., k) rising, level_db (..., k, 199)."""

    drive_db: Floats
    level_db: Floats


@dataclass(frozen=True, eq=False)
class Sweeps:
    """What was swept; None where a kind is missing."""

    compression: Drives | None = None
    thd: Drives | None = None
    multitone: Drives | None = None
    multitone_hp80: Drives | None = None


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
    found: dict[str, Drives] = {}
    if session.distortion is not None:
        distortion = with_total(session.distortion)
        for kind in _DISTORTION:
            rows = [i for i, component in enumerate(distortion.component) if component == kind]
            if rows:
                found[kind] = _rising(distortion, rows)
    if session.compression is not None and len(session.compression.drive_db) > 1:
        found["compression"] = _rising(session.compression, list(range(len(session.compression.drive_db))))
    return Sweeps(**found)


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


def _rising(sweeps: GridSweeps, rows: list[int]) -> Drives:
    rows = sorted(rows, key=lambda i: sweeps.drive_db[i])
    return Drives(sweeps.drive_db[rows], sweeps.level_db[rows])


@dataclass(frozen=True, eq=False)
class Strength:
    """values: metric -> (...); usable (..., 199); low_db, high_db (...): the levels delivered at the two drives around the
    maximum level; noisy: clean level -> (...) whether noise, not distortion, was above its limit at the lowest drive."""

    values: Values
    usable: Bounded
    low_db: Array
    high_db: Array
    noisy: dict[str, NDArray[np.bool_]]


def strength(sweeps: Sweeps, response: Response, at_error_db: Array | float = 0.0) -> Strength:
    """All metrics of one speaker's sweeps, or of several with the same drives, or of draws.

    at_error_db (...): what the true drives are above the stated ones; drives are then known to that only, so the outermost
    distortion curves may be prolonged that far.
    """
    shape = response.reference_db.shape
    unknown = bounds.exact(np.full(shape, np.nan))
    values = dict.fromkeys(OUTPUT_METRICS, unknown)
    usable = bounds.exact(np.full(response.lw.shape, np.nan))
    low, high = unknown.value, unknown.value
    noisy = {name: np.zeros(shape, bool) for name in CLEAN}
    uncertain = float(np.max(np.abs(at_error_db)))
    if (thd := sweeps.thd) is not None:
        for at in THD_DRIVES_DB:
            level = output.distortion_at(thd.drive_db, thd.level_db, at - np.asarray(at_error_db), beyond_db=uncertain)
            for name, band in (("bass", output.BASS_BAND), ("mid", output.MID_BAND)):
                values[f"thd_{name}_{at:.0f}_percent"] = bounds.exact(output.rms_percent(level, band))
    for name, (kind, percent, band) in CLEAN.items():
        swept: Drives | None = getattr(sweeps, kind)
        if swept is not None:
            values[name] = output.clean_level(swept.drive_db, swept.level_db, percent, band).plus(at_error_db)
            noisy[name] = output.noise_limited(swept.level_db, percent, band)
    if sweeps.compression is not None:
        c = output.compression(sweeps.compression.drive_db, sweeps.compression.level_db)
        maximum = output.max_level(c)
        values["max_level_db"] = maximum.level.plus(at_error_db)
        for name, held in zip(("balance_level_db", "balance_level_managed_db"), _balance(c, response), strict=True):
            values[name] = held.plus(at_error_db)
        low, high = maximum.low_db + at_error_db, maximum.high_db + at_error_db
        if thd is not None:
            shown = response.lw - response.reference_db[..., None]
            usable = output.usable_output(c, thd.drive_db, thd.level_db, shown)
            usable = usable.plus(np.asarray(at_error_db)[..., None])
            for f in OUTPUT_HZ:
                values[f"max_level_{f:.0f}hz_db"] = output.at_frequency(usable, f)
    return Strength(values, usable, low, high, noisy)


def _balance(c: output.Compression, response: Response) -> tuple[Bounded, Bounded]:
    """Highest level with its balance from the −6 dB limit up; and with a subwoofer, which takes over at 80 Hz or where the
    speaker itself ends if that is higher."""
    f6, eighty = response.f6_hz, output.BALANCE_MANAGED_FROM_HZ
    unmeasured = np.asarray(response.f6_at_most & (f6 > grid.FREQUENCY_HZ[0] * (1 + 1e-9)))
    managed = np.where(response.f6_at_most, eighty, np.fmax(f6, eighty))
    both = output.balance_level(c, np.stack([f6, managed]), or_lower=np.stack([unmeasured, np.zeros_like(unmeasured)]))
    return both[0], both[1]


def output_metrics(sessions: Sequence[GridSession], response: Response) -> Strength:
    """Metrics of §5 of a batch: response (S, …). Sessions with the same numbers of drives are worked out together."""
    count = len(sessions)
    every = [sweeps_of(s) for s in sessions]
    values = {m: bounds.exact(np.full(count, np.nan)) for m in OUTPUT_METRICS}
    usable = bounds.exact(np.full(response.lw.shape, np.nan))
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    noisy = {name: np.zeros(count, bool) for name in CLEAN}
    groups: dict[tuple[int, ...], list[int]] = {}
    for i, sweeps in enumerate(every):
        groups.setdefault(_drive_counts(sweeps), []).append(i)
    for counts, rows in groups.items():
        if any(counts):
            at_most = np.broadcast_to(response.f6_at_most, response.f6_hz.shape)[rows]
            chosen = Response(response.lw[rows], response.reference_db[rows], response.f6_hz[rows], at_most)
            found = strength(_stacked([every[i] for i in rows]), chosen)
            for metric, mine in found.values.items():
                values[metric].value[rows], values[metric].code[rows] = mine.value, mine.code
            usable.value[rows], usable.code[rows] = found.usable.value, found.usable.code
            low[rows], high[rows] = found.low_db, found.high_db
            for name, flags in found.noisy.items():
                noisy[name][rows] = flags
    passive = np.array([not s.info.powered for s in sessions], bool)
    ohm = np.full((count, response.lw.shape[-1]), np.nan)
    volt = np.array([s.info.drive_voltage_v or np.nan for s in sessions], np.float64)
    for row, session in zip(ohm, sessions, strict=True):
        if session.impedance_ohm is not None:
            row[:] = session.impedance_ohm
    values["impedance_min_ohm"] = bounds.exact(np.where(passive, output.lowest_impedance(ohm), np.nan))
    sensitivity = output.sensitivity(response.reference_db, volt)
    values["sensitivity_db"] = bounds.exact(np.where(passive, sensitivity, np.nan))
    return Strength(values, usable, low, high, noisy)


_KINDS = tuple(f.name for f in fields(Sweeps))


def _drive_counts(sweeps: Sweeps) -> tuple[int, ...]:
    kinds: list[Drives | None] = [getattr(sweeps, kind) for kind in _KINDS]
    return tuple(0 if kind is None else len(kind.drive_db) for kind in kinds)


def _stacked(every: Sequence[Sweeps]) -> Sweeps:
    """Sweeps with the same numbers of drives as one, with a leading dimension."""
    found = {}
    for kind in _KINDS:
        mine: list[Drives] = [getattr(s, kind) for s in every]
        if mine[0] is not None:
            found[kind] = Drives(np.stack([d.drive_db for d in mine]), np.stack([d.level_db for d in mine]))
    return Sweeps(**found)


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
